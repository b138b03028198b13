"""An emulator's recorded run, held to the gates row by row."""
