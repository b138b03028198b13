"""What is put to a witness: registers and the memory that will be read, as records of fixed layout.

Every input that can matter, random ones, and the few that an emulator is put first.
"""
