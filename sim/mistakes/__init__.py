"""The classic mistakes of emulators, each a small change of the model."""
