"""What an emulator in Python needs to stand beside the gates.

carrywave compare --python adapter.py:execute
"""

from emulator import Emulator

memory = bytearray(0x10000)
writes = []


def write(address, byte):
    memory[address] = byte
    writes.append((address, byte))


emulator = Emulator(memory.__getitem__, write)


def execute(case):
    """One case in, its outcome out."""
    for address, byte in case.reads:
        memory[address] = byte
    for name in ("pc", "a", "x", "y", "sp"):
        setattr(emulator, name, getattr(case, name))
    emulator.set_flags(case.p)

    (emulator.step, emulator.irq, emulator.nmi, emulator.reset)[case.event]()

    outcome = {name: getattr(emulator, name) for name in ("pc", "a", "x", "y", "sp", "cycles")}
    outcome |= {"p": emulator.flags(b=1), "writes": writes.copy()}
    for address, _ in (*case.reads, *writes):  # what stays would hide a wrong address later
        memory[address] = 0
    writes.clear()
    return outcome
