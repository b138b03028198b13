"""A board as a witness: what goes over its line, its simulation, its build, a sweep on the chip."""
