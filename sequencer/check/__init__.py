"""Check: proves or refutes that a routine stays inside its limits and clear of what is declared, and compiles it.

The names are loaded when first used.
"""
