"""A store into which every assessed photo can go, and what is read from it.

`clawvision.history.rows` holds what reading returns, `growth` and `told` what follows from it over time; they need no
extra package, `pictures` needs Matplotlib (the extra ``plots``). All else needs SQLAlchemy and Alembic
(the extra ``history``); call `need` before importing it.
"""

from __future__ import annotations

from importlib import import_module

from clawvision.errors import MissingExtraError

_WORDS = {
    "history": ("sqlalchemy", "alembic"),
    "postgresql": ("psycopg",),
    "research": ("pyarrow",),
    "plots": ("matplotlib",),
}
_WHAT = {
    "history": "The packages that keep a history are missing.",
    "postgresql": "The package that talks to PostgreSQL is missing.",
    "research": "The package that writes Parquet files is missing.",
    "plots": "The package that draws plots is missing.",
}


def need(extra: str) -> None:
    """Make sure that the packages of an extra are there.

    Raises
    ------
    MissingExtraError
        If one is not; says how to install it.
    """
    try:
        for package in _WORDS[extra]:
            import_module(package)
    except ImportError as error:
        raise MissingExtraError(_WHAT[extra], f"Install it with: pip install 'clawvision[{extra}]'") from error
