"""Mistakes in the source of a board's unit, and what is said of each of them."""

from planting import Edit

EDITS = (
    Edit("alu", "adder.carry[WIDTH] ^ adder.carry[WIDTH - 1]",
         "adder.carry[WIDTH - 1] ^ adder.carry[WIDTH - 2]", "ADC p.v"),
    Edit("steps", "count(ACCESS, Left.HIGH, high=result, pc=step)",
         "count(ACCESS, Left.HIGH, pc=step)", "LDA a"),
)  # fmt: skip
#: What is asked of a chip with all of them.
NAMES = ("69", "BD", "E8")  # ADC immediate, LDA absolute,X, INX


def assert_found(verdict):
    """Each of them is found and named."""
    wrong = {name: {*found.fields} for name, found in verdict.comparison.instructions.items()}
    assert wrong == {"ADC": {"p.v"}, "LDA": {"a", "p.n", "p.z"}, "INX": set()}
    said = {cause.instruction: cause for cause in reversed(verdict.likely)}
    assert said["ADC"].change == "V must be carry 8 XOR carry 7"
    assert said["LDA"].cause == "the carry out of the low byte of the address is lost"
