"""What an emulator in Python needs to stand beside the gates.

carrywave compare --python adapter.py:execute
"""

from emulator import Emulator

VECTORS = (0xFFFE, 0xFFFE, 0xFFFA, 0xFFFC)  # BRK, IRQ, NMI, RESET

memory = bytearray(0x10000)
writes = []


def write(address, byte):
    writes.append((address, byte))


def lay_out(case):
    """In this order: a field that a case does not use is 0, and what follows lies over it."""
    at = VECTORS[case.event]
    memory[at : at + 2] = case.vector.to_bytes(2, "little")
    for i, byte in enumerate(case.pulled):
        memory[0x100 + (case.sp + 1 + i) % 256] = byte
    memory[case.address] = case.operand
    for i in range(case.length):
        memory[(case.pc + i) % 0x10000] = case.bytes[i]


emulator = Emulator(memory.__getitem__, write)


def execute(case):
    """One case in, its outcome out."""
    lay_out(case)
    writes.clear()
    for name in ("pc", "a", "x", "y", "sp"):
        setattr(emulator, name, getattr(case, name))
    emulator.set_flags(case.p)

    (emulator.step, emulator.irq, emulator.nmi, emulator.reset)[case.event]()

    outcome = {name: getattr(emulator, name) for name in ("pc", "a", "x", "y", "sp", "cycles")}
    outcome["p"] = emulator.flags(b=1)
    if len(writes) == 1 and writes[0][0] == case.address:
        outcome["stored"] = writes[0][1]
    else:
        outcome["push_address"] = [address for address, _ in writes]
        outcome["pushed"] = [byte for _, byte in writes]
    return outcome
