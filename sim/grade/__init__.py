"""How good the checks are: faults planted in the gates, and which check sees each of them."""
