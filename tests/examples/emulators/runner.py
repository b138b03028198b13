"""What an emulator in Python needs to run a program beside the gates.

carrywave compare --python runner.py:run --program FILE --run
"""

from emulator import VARIANT, Emulator

INSTRUCTION, IRQ, NMI = 0, 1, 2
BRK, RTI = 0x00, 0x40
LEFT = ("pc", "a", "x", "y", "sp", "cycles")


class Pins:
    """The two pins, clock after clock."""

    def __init__(self, changes, start):
        self.changes, self.at = changes, 0
        self.low, self.nmi_waits = {IRQ: False, NMI: False}, False
        self.until(start.clock - 1)
        self.nmi_waits = bool(start.nmi)  # its edge has come, and was not taken

    def until(self, clock):
        while self.at < len(self.changes) and self.changes[self.at][0] <= clock:
            _, event, level = self.changes[self.at]
            self.nmi_waits |= event == NMI and not level and not self.low[NMI]
            self.low[event] = not level
            self.at += 1


def run(start, memory, changes, count):
    """A row for each instruction and each interrupt's entry."""
    memory, writes = bytearray(memory), []

    def write(address, byte):
        memory[address] = byte
        writes.append((address, byte))

    emulator, pins = Emulator(memory.__getitem__, write), Pins(changes, start)
    for name in ("pc", "a", "x", "y", "sp"):
        setattr(emulator, name, getattr(start, name))
    emulator.set_flags(start.p)
    clock, event = start.clock, start.event

    for _ in range(count):
        opcode, masked = memory[emulator.pc], emulator.i
        enters = event != INSTRUCTION or opcode == BRK
        if event == INSTRUCTION:
            emulator.step()
        else:
            emulator.enter(0xFFFA if event == NMI else 0xFFFE, b=0)
        if VARIANT != "cmos" and enters and event != NMI:
            pins.until(clock + 3)  # an NMI by then takes the vector
            if pins.nmi_waits:
                emulator.pc = memory[0xFFFA] | memory[0xFFFB] << 8
            pins.nmi_waits = False
        row = {name: getattr(emulator, name) for name in LEFT}
        yield row | {
            "clock": clock, "event": event, "p": emulator.flags(b=1), "writes": writes.copy()
        }  # fmt: skip
        writes.clear()
        clock += emulator.cycles

        # What follows is decided in the last clock but one. There CLI, SEI and PLP have not yet
        # changed I, and RTI has.
        if opcode == RTI:
            masked = emulator.i
        pins.until(clock - 2)
        event = INSTRUCTION
        if not enters and pins.nmi_waits:
            event, pins.nmi_waits = NMI, False
        elif not enters and pins.low[IRQ] and not masked:
            event = IRQ
        pins.until(clock - 1)
