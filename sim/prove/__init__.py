"""Proofs, for every state at once, that the gates do what the specification says."""
