"""What is seen: waveforms written, checked and shown, figures, and listings run into a waveform.

`programs/` has listings to begin with, `reference/` their waveforms.
"""
