"""What passes between the runner and the world each tick, and what the world must offer (Protocols)."""
