"""A drawing: made once, shown in the notebook, set into the PDF as it is."""

from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Drawing:
    """One figure.

    Attributes:
        name: Of the figure, e.g. ``tone``; a file name.
        subject: What it shows, e.g. a monitor; stands beside the drawing, never in it.
        alt: What a reader sees in it, in words.
        svg: The picture.
    """

    name: str
    subject: str
    alt: str
    svg: bytes = field(repr=False)

    def _repr_svg_(self) -> str:
        return self.svg.decode()


class Drawings(tuple[Drawing, ...]):
    """Drawings that show themselves one below the other in a notebook, each under its subject."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return "".join(
            f'<figure role="img" aria-label="{escape(drawing.alt)}"><figcaption>{escape(drawing.subject)}'
            f"</figcaption>{drawing.svg.decode()}</figure>"
            for drawing in self
        )


def save_svg(figure: "Figure") -> bytes:
    """Return a matplotlib figure as SVG: text as text, no date, the same bytes on any day."""
    from io import BytesIO

    from matplotlib import rc_context

    stream = BytesIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "matchlib"}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()
