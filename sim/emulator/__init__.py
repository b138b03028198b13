"""The user's emulator in a process of its own, called, piped or imported, and the verdict on it."""
