"""Waveforms: written, drawn, and read back to be checked."""
