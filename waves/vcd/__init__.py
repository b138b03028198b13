"""Waveform files: which signals they have, how they are written, and how they are read back."""
