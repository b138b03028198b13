"""What explains a wrong emulator: a classic mistake, or a small formula of the flags."""
