"""The makers' facts, as data: instructions, modes, the bus in each clock, the status byte.

Nothing is imported here: who wants to know what an opcode does finds it in these files alone.
"""
