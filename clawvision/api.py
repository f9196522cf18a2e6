"""Measuring one photo from Python."""

from __future__ import annotations

from pathlib import Path

from clawvision.types import ClawName, Foot, PhotoRequest, PhotoResult, Settings, View


def assess_photo(
    path: str | Path,
    *,
    foot: Foot | None = None,
    view: View | None = None,
    claw: ClawName | None = None,
    offset_mm: float | None = None,
    tick_mm: float | None = None,
    points: tuple[float, float, float, float, float] | None = None,
    settings: Settings | None = None,
) -> PhotoResult:
    """Measure the claws of one photo.

    Parameters
    ----------
    path
        A JPEG, PNG, TIFF or (with the extra ``heic``) HEIC file. An outline file beside it is used.
    foot
        Which foot it is; without it the claws of a sole view are called left and right.
    view
        ``side``, ``sole``, ``front`` or ``rear``; told from the picture where None.
    claw
        The claw that a side view shows; ``outer`` where None.
    offset_mm
        How far the claw's plane lies behind the reference, mm; the view's default where None.
    tick_mm
        Tick spacing where the reference is a ruler, mm.
    points
        Two points of known distance where there is no other reference: x1, y1, x2, y2 in pixels, distance in mm.
    settings
        What a run may vary.

    Returns
    -------
    PhotoResult
        ``status`` is ``refused``, with the reason, where the photo cannot be measured; nothing is raised then.

    Raises
    ------
    UsageError
        If a calibration file or the two points cannot be used.
    """
    # The measuring chain loads when it is first used: most of the command line's calls never need it.
    from clawvision.pipeline import run_photo

    file = Path(path)
    request = PhotoRequest(
        path=file,
        name=file.name,
        foot=foot,
        view=view,
        claw=claw,
        offset_mm=offset_mm,
        tick_mm=tick_mm,
        points=points,
    )
    return run_photo(request, settings or Settings())[0]
