"""The command `grade`."""

import click

from .options import OnceCommand, json_option, variants_option
from .terminal import conclude, needing, progress_bar


@click.command("grade", cls=OnceCommand)
@variants_option
@click.option("--all", "every", is_flag=True, help="List each fault that no one can see.")
@json_option
def command(variant: str, every: bool, as_json: bool) -> None:
    """Grade the checks: every fault seen, every planted mistake found?

    Each wire and pin of the gates is held at 0 and at 1, before the cases of the sweep and runs
    with the pins driven. What none of them sees must be proved invisible; anything else is a case
    that is missing. Then the classic mistakes are put into the model, one by one, and the sweep
    must find them, as often as documented.

    \b
    carrywave grade --variant all
    carrywave grade --all
    """
    with needing("grade", z3="proof"):
        from ..grade.grading import grade, grade_size
        from ..grade.report import draw_grade

    with progress_bar("tasks", grade_size(variant)) as progress:
        report = grade(variant, progress)
    conclude(report, as_json, lambda screen: draw_grade(report, screen, every))
