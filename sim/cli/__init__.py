"""The command line: what each command takes, calls and prints, and how it ends."""
