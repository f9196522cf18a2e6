"""``clawvision herd``: a profile of a herd's own percentiles, from assessments on file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import click

from clawvision.errors import OutputError, UsageError
from clawvision.findings.herd import (
    ENOUGH_ANIMALS,
    ENOUGH_CLAWS,
    Filed,
    HerdClaws,
    HerdValue,
    gather,
    herd_toml,
    herd_values,
)
from clawvision.findings.profiles import (
    MAX_PROFILES_IN_FOLDER,
    Profile,
    choose_profile,
    load_profiles,
    profile_name,
    read_profile,
)
from clawvision.output.atomic import write_atomic
from clawvision.output.models import AssessmentRecord
from clawvision.output.read import read_assessment
from clawvision.output.record import photo_facts
from clawvision.plain import listed, plain, wrapped

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}")
_NEEDED = f"{ENOUGH_CLAWS} of {ENOUGH_ANIMALS} animals are needed"


@click.command("herd", short_help="Make a profile of a herd's own percentiles.")
@click.argument("assessments", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--name", required=True, metavar="NAME", help="Name of the new profile: a to z, 0 to 9 and hyphens.")
@click.option(
    "--base",
    required=True,
    metavar="PROFILE",
    help="The packaged profile of this kind of animal: its limits hold, and what is not replaced is taken from it.",
)
@click.option(
    "--to",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The profile to write, a .toml file; an older one of the same name is replaced.",
)
def herd(assessments: tuple[Path, ...], name: str, base: str, to: Path) -> None:
    """Put a herd's own percentiles in place of what a packaged profile calls usual.

    ASSESSMENTS are files assessment.json, or folders that clawvision assess wrote. From each claw counts one value of a
    measure: the surest of its latest day, from photos that need no look and were not taken after a trim. Animals must
    have the same names in all assessments.

    Left out are animals with a locomotion score of 2 or more or with signs, claws found out of proportion, twisted or
    with a hollow wall, feet that are not named, and animals whose photos name another profile than PROFILE or NAME.

    Replaced are, for hind and fore feet each, the usual toe length (10th and 90th percentile) and the length to watch
    (95th), never above the length that PROFILE calls clearly overgrown; the usual toe angle (10th and 90th percentile)
    between what PROFILE calls shallow and steep; and the width difference of healthy feet (median). Each needs 30
    claws, or feet, of 15 animals. What protects stays as it is: the shortest length, the lowest heel, the length that
    is clearly overgrown, and all limits of proportion and twist.

    The profile is used with clawvision assess --profiles FOLDER --profile NAME. Standard error tells what was replaced,
    what was held by a limit, and what was left out and why. No animal is named in the file.

    \b
    Examples:
      clawvision herd result/ --name our-cows --base holstein-parity-2plus --to profiles/our-cows.toml
      clawvision herd june/ july/ --name our-jerseys --base jersey --to profiles/our-jerseys.toml

    \b
    Exit status:
      0  the profile was written
      2  wrong usage, an assessment that cannot be read, or too few claws for any value; nothing is written
      5  the file cannot be written, or is something else
    """
    profiles = load_profiles()
    kind = _base(base, name, profiles)
    _check_target(to, name)
    claws = gather(_file_all(assessments), (kind.name, name))
    values = herd_values(claws, kind)
    if not any(value.own for value in values):
        raise UsageError(
            f"Too few claws are on file for a profile: {_NEEDED}.\n{listed(_missing(values))}\n{_left_out(claws)}\n"
            "Nothing was written.",
            "Assess more animals first, or name more assessments.",
        )
    content = herd_toml(name, kind, values)
    try:
        read_profile(str(to), content, profiles)
    except UsageError as error:  # values that no claw has
        raise UsageError(
            f"These assessments give no profile that can be used. {error.message}",
            "Look at their measures. Nothing was written.",
        ) from error
    write_atomic(to, content)
    click.echo("\n".join(_report(values, claws, kind)), err=True)
    click.echo(f"{plain(to)} written.", err=True)


def _base(base: str, name: str, profiles: Mapping[str, Profile]) -> Profile:
    kind = choose_profile(base, profiles)
    if not kind.judged:
        fit = ", ".join(each for each in profiles if profiles[each].judged)
        raise UsageError(f"Profile '{base}' judges nothing, so it has no values to replace.", f"Use one of: {fit}.")
    if not _NAME.fullmatch(name):
        raise UsageError(
            f"--name '{name[:80]}' cannot be a profile's name.",
            "Use small letters a to z, digits and hyphens, at most 60, with a letter or digit first.",
        )
    if name in profiles and name != base:
        raise UsageError(
            f"--name '{name}' is a packaged profile of other animals than --base '{base}'.",
            f"Use another name, or build it on itself with --base {name}.",
        )
    return kind


def _check_target(to: Path, name: str) -> None:
    """Refuse to replace what is no profile of this name, and a name that another file of the folder has."""
    if to.suffix != ".toml":
        raise UsageError(f"--to {to} does not end in .toml, and would not be found.", f"Write it to {name}.toml.")
    if (to.exists() or to.is_symlink()) and (not to.is_file() or _name_in(to) != name):
        raise OutputError(f"{to} is there already and is no profile '{name}'.", "Name another file with --to.")
    siblings = sorted(path for path in to.parent.glob("*.toml") if path.is_file() and path.name != to.name)
    for path in siblings[:MAX_PROFILES_IN_FOLDER]:
        if _name_in(path) == name:
            raise UsageError(
                f"Beside {to} there is a profile of the same name, {path.name}.",
                "A folder holds a name once: use another --name, or replace that file.",
            )


def _name_in(path: Path) -> str | None:
    try:
        return profile_name(path)
    except UsageError:
        return None


def _file_all(paths: Sequence[Path]) -> Iterator[Filed]:
    """Read one assessment after another and keep the little of it that counts."""
    for path in paths:
        yield _filed(read_assessment(path))


def _filed(record: AssessmentRecord) -> Filed:
    """Return what counts of a record. A profile that the whole run named holds for photos that name none."""
    named = record.run.parameters.get("profile")
    profile = named if isinstance(named, str) else None
    facts = [photo_facts(photo) for photo in record.photos]
    return Filed(
        photos=tuple(
            replace(fact, request=replace(fact.request, profile=fact.request.profile or profile)) for fact in facts
        ),
        found=frozenset(
            (foot.animal, foot.foot, finding.claw, finding.code)
            for foot in record.feet
            if foot.foot is not None
            for finding in foot.findings
        ),
    )


def _missing(values: Sequence[HerdValue]) -> list[str]:
    """Return, for each limb and measure, how many claws there are where they are too few."""
    return list(dict.fromkeys(f"{each.limb} {each.recipe.measure}: {each.on_file}" for each in values if not each.own))


def _report(values: Sequence[HerdValue], claws: HerdClaws, base: Profile) -> Iterator[str]:
    yield f"In place of values of {base.name}:"
    for each in values:
        if each.own is not None:
            change = f"{each.own.value:g} {each.base.unit} instead of {each.base.value:g}"
            line = f"{each.limb} {each.own.name}: {change} ({each.on_file})"
            yield wrapped(f"{line}; {each.held}" if each.held else line, "  ", "    ")
    if missing := _missing(values):
        yield f"Too few on file, so that the values of {base.name} stay; {_NEEDED}:"
        yield from (wrapped(line, "  ", "    ") for line in missing)
    if any(each.own and each.recipe.name == "toe_length_watch" and "above" in each.held for each in values):
        yield wrapped("More than one claw in twenty is clearly overgrown by that profile: a trim may be overdue.")
    yield _left_out(claws)


def _left_out(claws: HerdClaws) -> str:
    words = claws.left_out.words()
    return wrapped(f"Left out: {'; '.join(words)}." if words else "Nothing was left out.", "", "  ")
