"""Pictures as SVG: an operation, part of a waveform, when inputs settle, which flags change."""
