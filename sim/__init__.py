"""The software: witnesses, cases, their comparison, and the command line."""
