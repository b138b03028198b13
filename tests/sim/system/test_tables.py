"""The plain table."""

from io import StringIO

from rich.console import Console

from carrywave.sim.system.tables import plain_table


def drawn(table, width=40):
    file = StringIO()
    Console(file=file, width=width).print(table)
    return [line.rstrip() for line in file.getvalue().splitlines()]


def test_numbers_stand_to_the_right_and_headings_at_the_bottom():
    table = plain_table("name", ">of all\ncases", ">wrong", gap=3)
    table.add_row("ADC", "12,345", "1")
    assert drawn(table) == [
        "       of all",
        "name    cases   wrong",
        "ADC    12,345       1",
    ]


def test_only_columns_that_fold_are_broken_into_lines():
    table = plain_table("name", "told", ">cases", folds=("told",))
    table.add_row("a name of four", "some words that are long", "7")
    assert drawn(table, 33) == [
        "name            told        cases",
        "a name of four  some words      7",
        "                that are",
        "                long",
    ]
    narrow = plain_table("name", "told")
    narrow.add_row("a name of four", "some words")
    assert len(drawn(narrow, 16)) == 2
