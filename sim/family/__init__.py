"""The makers' facts, as data. Nothing is imported here: each is found in these files alone."""
