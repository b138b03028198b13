"""A waveform held to the published bus and to the model, with nothing but the file."""
