"""The run of a listing, its waveform written, read back and checked, and how that is shown."""
