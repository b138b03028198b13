"""One operation on the hardware: every carry, where each flag comes from, and how to ask for it."""
