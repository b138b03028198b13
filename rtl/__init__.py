"""The hardware: synthesizable Amaranth modules of an 8-bit 65xx-family unit."""
