"""What surrounds a unit in an FPGA: a serial line, frames on it, and the player of cases."""
