"""A local web page in which a person puts outlines right; what it saves are outline files that ``assess`` honours.

`folder`, `workbench`, `segment`, `edges`, `drawing` and `export` need no extra package. `app` and `serve` need
Starlette and uvicorn (the extra ``review``); call `need` before importing them.
"""

from __future__ import annotations

from importlib import import_module

from clawvision.errors import MissingExtraError


def need() -> None:
    """Make sure that the packages of the extra ``review`` are there.

    Raises
    ------
    MissingExtraError
        If one is not; says how to install it.
    """
    try:
        for package in ("starlette", "uvicorn"):
            import_module(package)
    except ImportError as error:
        raise MissingExtraError(
            "The packages that serve the review page are missing.",
            "Install them with: pip install 'clawvision[review]'",
        ) from error
