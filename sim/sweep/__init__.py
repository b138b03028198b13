"""The gates held to the model on every input that can matter."""
