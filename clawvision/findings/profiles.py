"""Reference profiles: values that claws are judged by, as data, each with its source and status.

A profile is a TOML file. The packaged ones lie in ``profiles/``; a herd may keep its own in a folder
and replace a packaged profile by using its name, or build on one with ``extends``.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from clawvision.errors import UsageError
from clawvision.findings.values import NEEDED_WITH, PROFILE_VALUES, ValueStatus, ordered_names
from clawvision.regular import read_regular

DEFAULT_PROFILE = "holstein-parity-2plus"
MAX_PROFILE_BYTES = 65_536
MAX_PROFILES_IN_FOLDER = 100

Limb = Literal["fore", "hind"]
LIMBS: tuple[Limb, Limb] = ("fore", "hind")
Parity = Literal["first", "later"]


@dataclass(frozen=True, slots=True)
class ProfileValue:
    """One reference value. ``status`` is P, M, T, C or J, see `clawvision.findings.values.STATUSES`."""

    name: str
    value: float
    unit: str
    source: str
    status: ValueStatus


@dataclass(frozen=True, slots=True)
class Profile:
    """Reference values for one kind of animal, by limb.

    ``judged`` is False for animals that no value here fits; nothing is then compared. ``landmark`` says
    from where the lengths are taken, without which a length in mm means nothing.
    """

    name: str
    title: str
    judged: bool
    note: str
    landmark: str
    values: Mapping[Limb, Mapping[str, ProfileValue]]
    parity: Parity | None = None
    """Whether it is for animals that calved once or more often; None where it holds for any."""

    def value(self, limb: Limb, name: str) -> ProfileValue | None:
        """Return the value ``name`` for ``limb``, or None where the profile does not know it."""
        return self.values[limb].get(name)


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)
    value: float
    source: str = Field(min_length=3, max_length=500)
    status: ValueStatus


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,59}$")
    extends: str | None = None
    title: str | None = Field(default=None, min_length=1, max_length=200)
    judged: bool | None = None
    note: str | None = Field(default=None, max_length=1000)
    landmark: str | None = Field(default=None, min_length=1, max_length=300)
    parity: Parity | None = None
    fore: dict[str, _Row] = Field(default_factory=dict)
    hind: dict[str, _Row] = Field(default_factory=dict)


def load_profiles(extra_dirs: Sequence[Path] = ()) -> Mapping[str, Profile]:
    """Load the packaged profiles, then those of each folder in ``extra_dirs``, later ones overriding by name.

    Parameters
    ----------
    extra_dirs
        Folders that hold a herd's own profiles, one ``*.toml`` file each.

    Returns
    -------
    Mapping of str to Profile
        By name, sorted.

    Raises
    ------
    UsageError
        If a folder is missing or a file cannot be used; the message names the file and the key.
    """
    packaged = resources.files("clawvision.findings") / "profiles"
    texts = {entry.name: entry.read_bytes() for entry in packaged.iterdir() if entry.name.endswith(".toml")}
    known = _resolve({name: _parse(name, texts[name]) for name in sorted(texts)}, {})
    for folder in extra_dirs:
        known = _resolve(_read_folder(folder), known)
    return MappingProxyType(dict(sorted(known.items())))


def choose_profile(name: str | None, profiles: Mapping[str, Profile]) -> Profile:
    """Return the profile ``name``, or the default one where none is named.

    Raises
    ------
    UsageError
        If there is no such profile.
    """
    wanted = name or DEFAULT_PROFILE
    if wanted not in profiles:
        raise UsageError(f"There is no profile '{wanted}'.", f"Known profiles: {', '.join(profiles)}.")
    return profiles[wanted]


def read_profile(where: str, content: bytes, known: Mapping[str, Profile]) -> Profile:
    """Return the profile that the content of a file makes, which may build on the profiles ``known``.

    Raises
    ------
    UsageError
        If it cannot be used; the message names ``where`` and the key.
    """
    parsed = _parse(where, content)
    return _resolve({where: parsed}, known)[parsed.name]


def profile_name(path: Path) -> str:
    """Return the name of the profile in a file, whatever it builds on.

    Raises
    ------
    UsageError
        If the file cannot be read or is no profile.
    """
    return _parse(str(path), _read(path)).name


def _read_folder(folder: Path) -> dict[str, _File]:
    if not folder.is_dir():
        raise UsageError(f"The profile folder {folder} does not exist.", "Name a folder that holds *.toml profiles.")
    paths = sorted(path for path in folder.iterdir() if path.suffix == ".toml")
    if len(paths) > MAX_PROFILES_IN_FOLDER:
        raise UsageError(
            f"The profile folder {folder} holds {len(paths)} profiles, more than the {MAX_PROFILES_IN_FOLDER} allowed.",
            "Keep only the herd's own profiles in it.",
        )
    return {str(path): _parse(str(path), _read(path)) for path in paths}


def _read(path: Path) -> bytes:
    try:
        return read_regular(path, MAX_PROFILE_BYTES)
    except OSError as error:
        raise UsageError(f"Profile {path} cannot be read: {error.strerror}.", "Check that you may read it.") from error


def _parse(where: str, content: bytes) -> _File:
    if len(content) > MAX_PROFILE_BYTES:
        raise UsageError(
            f"Profile {where} is larger than {MAX_PROFILE_BYTES // 1024} KiB.",
            "A profile is a page of values; shorten it.",
        )
    try:
        data = tomllib.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise UsageError(f"Profile {where} is not UTF-8 text.", "Save it as UTF-8.") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"Profile {where} is not valid TOML: {error}.", "Mend that line.") from error
    try:
        parsed = _File.model_validate(_whole_numbers_as_floats(data))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise UsageError(
            f"Profile {where}, key '{key}': {first['msg']}.",
            "Every value needs value, source and status (P, M, T, C or J); docs/findings.md lists all keys.",
        ) from error
    for limb in LIMBS:
        for name, row in getattr(parsed, limb).items():
            _check_row(where, f"{limb}.{name}", name, row)
    return parsed


def _whole_numbers_as_floats(data: dict[str, Any]) -> dict[str, Any]:
    """Let ``value = 85`` stand for 85.0, which strict validation would refuse (and keep refusing true and "85")."""
    value = data.get("value")
    if isinstance(value, int) and not isinstance(value, bool):
        # One too long for a float is outside of every range, and is refused as such.
        data = {**data, "value": float(value) if abs(value) < 10**300 else math.inf}
    return {key: _whole_numbers_as_floats(entry) if isinstance(entry, dict) else entry for key, entry in data.items()}


def _check_row(where: str, key: str, name: str, row: _Row) -> None:
    kind = PROFILE_VALUES.get(name)
    if kind is None:
        raise UsageError(f"Profile {where}, key '{key}': there is no such value.", "docs/findings.md lists all keys.")
    if not (math.isfinite(row.value) and kind.low <= row.value <= kind.high):
        raise UsageError(
            f"Profile {where}, key '{key}': {row.value:g} is outside {kind.low:g} to {kind.high:g} {kind.unit}.",
            f"Give the value in {kind.unit}.",
        )


def _resolve(files: Mapping[str, _File], known: Mapping[str, Profile]) -> dict[str, Profile]:
    """Turn parsed files into profiles; ``extends`` may name one of this folder or one known before it."""
    here: dict[str, tuple[str, _File]] = {}
    for where, parsed in files.items():
        if parsed.name in here:
            raise UsageError(
                f"Profiles {here[parsed.name][0]} and {where} have the same key 'name': {parsed.name}.",
                "Rename one of them.",
            )
        here[parsed.name] = (where, parsed)
    done = dict(known)
    pending = dict(here)
    while pending:
        # A file that extends its own name builds on the profile known before it.
        ready = [name for name, (_, each) in pending.items() if each.extends == name or each.extends not in pending]
        if not ready:
            names = ", ".join(where for where, _ in pending.values())
            raise UsageError(f"Profiles extend each other in a circle (key 'extends'): {names}.", "Break the circle.")
        for name in ready:
            where, parsed = pending[name]
            done[name] = _build(where, parsed, done)
        for name in ready:
            del pending[name]
    return done


def _build(where: str, parsed: _File, known: Mapping[str, Profile]) -> Profile:
    base: Profile | None = None
    if parsed.extends is not None:
        base = known.get(parsed.extends)
        if base is None:
            raise UsageError(
                f"Profile {where}, key 'extends': there is no profile '{parsed.extends}'.",
                f"Known profiles: {', '.join(sorted(known))}.",
            )
    values: dict[Limb, Mapping[str, ProfileValue]] = {}
    for limb in LIMBS:
        merged = dict(base.values[limb]) if base else {}
        for name, row in getattr(parsed, limb).items():
            merged[name] = ProfileValue(name, row.value, PROFILE_VALUES[name].unit, row.source, row.status)
        _check_order(where, limb, merged)
        _check_complete(where, limb, merged)
        values[limb] = MappingProxyType(merged)
    judged = parsed.judged if parsed.judged is not None else (base.judged if base else True)
    title = parsed.title or (base.title if base else "")
    landmark = parsed.landmark or (base.landmark if base else "")
    for key, text in (("title", title), ("landmark", landmark)):
        if not text:
            raise UsageError(
                f"Profile {where}, key '{key}' is missing.", f"Add {key}, or extends with a profile's name."
            )
    if not judged and any(values[limb] for limb in LIMBS):
        raise UsageError(
            f"Profile {where}, key 'judged' is false, yet it holds values.", "Take out the one or the other."
        )
    note = parsed.note if parsed.note is not None else (base.note if base else "")
    # Not taken over from the profile that it builds on, which may be for animals of another age.
    return Profile(parsed.name, title, judged, note, landmark, MappingProxyType(values), parsed.parity)


def _check_order(where: str, limb: Limb, values: Mapping[str, ProfileValue]) -> None:
    for names in ordered_names():
        present = [values[name] for name in names if name in values]
        for lower, upper in pairwise(present):
            if lower.value > upper.value:
                raise UsageError(
                    f"Profile {where}, key '{limb}.{lower.name}': {lower.value:g} is more than "
                    f"{limb}.{upper.name}, {upper.value:g}.",
                    "Put them in order.",
                )


def _check_complete(where: str, limb: Limb, values: Mapping[str, ProfileValue]) -> None:
    for name in values:
        for needed in NEEDED_WITH.get(name, ()):
            if needed not in values:
                raise UsageError(
                    f"Profile {where}, key '{limb}.{name}' needs {limb}.{needed} beside it, which is missing.",
                    f'Add it, or build on another profile with extends = "{DEFAULT_PROFILE}".',
                )
