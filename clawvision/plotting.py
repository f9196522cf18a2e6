"""What all plots share: one style, whatever the user's own settings are, and the same bytes on every day.

Every line has a stroke or a mark and a word of its own; colours only help (Okabe and Ito's, which colour-blind eyes
tell apart). Matplotlib is needed only by plots: ``pip install 'clawvision[plots]'``.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import TYPE_CHECKING, Any

from clawvision.errors import MissingExtraError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, FAINT = "#1a1a1a", "#8a8a8a"
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
STROKES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (1.2, 1.6)),
    (0, (7, 2, 1.2, 2)),
    (0, (3, 1.5)),
    (0, (9, 2, 1, 2, 1, 2)),
)
MARKERS = ("o", "s", "^", "D", "v", "P")
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "clawvision",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#e3e3e3",
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "legend.handlelength": 4.0,
    "lines.linewidth": 1.5,
    "text.parse_math": False,
}


@contextmanager
def styled() -> Iterator[None]:
    """Draw by this module's style alone, whatever the user's own settings are, and leave them as they were."""
    try:
        import matplotlib
    except ImportError as error:
        raise MissingExtraError(
            "The package that draws plots is missing.", "Install it with: pip install 'clawvision[plots]'"
        ) from error
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        yield


def figure(width: float, height: float) -> Figure:
    """Return an empty figure; sizes in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def svg(figure: Figure, title: str) -> bytes:
    """Return the figure as SVG: vectors only, letters as paths."""
    written = BytesIO()
    # without a date and a version the same shapes make the same bytes
    figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
    return written.getvalue()


def png(figure: Figure, dpi: int = 200) -> bytes:
    """Return the figure as PNG."""
    written = BytesIO()
    figure.savefig(written, format="png", dpi=dpi, metadata={"Software": None})
    return written.getvalue()
