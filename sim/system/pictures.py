"""How things are shown in a notebook: by whatever the distribution says draws their kind.

The rooms below know no figures, so they ask by name; `pyproject.toml` says who answers.
"""

from importlib.metadata import entry_points

from .errors import UnusableError


class NothingToDrawError(UnusableError):
    """There is nothing that a figure could show; the message is one line."""


def picture_of(kind: str, thing: object) -> str | None:
    """The SVG of a thing of this kind; None where there is nothing to draw."""
    for drawer in entry_points(group="carrywave.pictures", name=kind):
        try:
            return str(drawer.load()(thing).render())
        except NothingToDrawError:
            return None
    return None
