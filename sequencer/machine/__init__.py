"""The machine: axes, actuators, sensors, outputs, pieces, presets and interlocks of one robot."""
