"""The page that a study says on the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from clawvision.plain import plain
from clawvision.repeatability.record import EstimateRecord, MeasureRepeats, RepeatabilityRecord
from clawvision.repeatability.wording import ROUGH, UNITS

_WIDTH = 113
_MOST = 10
_ROW = "{:<27}{:>6}{:>7}{:>9}{:>8}{:>7}{:>22}{:>7}{:>7}{:>7}{:>6}"
_HEAD = ("measure", "claws", "photos", "mean", "SD", "TEM %", "ICC", "SDC", "r", "R", "z")


def summary(record: RepeatabilityRecord) -> str:
    """Return the page: a table of figures, what they mean, hand measures, what stands out, what is left out."""
    parts = ["\n".join(_table(record)), "\n".join(_meanings(record))]
    for lines in (_hand(record), _stated(record), _flags(record), _left_out(record)):
        if text := "\n".join(lines):
            parts.append(text)
    return "\n\n".join(parts)


def _table(record: RepeatabilityRecord) -> Iterator[str]:
    yield _ROW.format(*_HEAD)
    for each in record.measures:
        if each.photos == 0 and each.precision.s_r.value is None:
            continue
        icc = each.icc["2"] if each.icc["2"].single.value is not None else each.icc["1"]
        yield _ROW.format(
            plain(_name(each))[:26],
            each.claws,
            each.photos,
            "-" if each.mean is None else f"{each.mean:.1f}",
            _short(each.within_sd),
            _short(each.tem_percent, 1),
            _icc(icc.single),
            _short(each.sdc),
            _short(each.precision.r),
            _short(each.precision.reproducibility),
            _short(each.stated_ratio, 1),
        )
    crossed = any(each.icc["2"].single.value is not None for each in record.measures)
    design = (
        f"ICC is ICC(2,1) where claws were crossed with {record.by}s, else ICC(1,1)"
        if crossed
        else "ICC is ICC(1,1): photos of a claw are not crossed with raters"
    )
    yield _wrapped(
        f"SD: within claws, also the technical error (TEM). {design}; its 95 % interval in brackets. SDC: smallest "
        "detectable change. r, R: limits of repeatability and reproducibility (ISO 5725). z: how much repeats differ "
        "over what their stated uncertainty lets them. -: not known; repeatability.json says why."
    )


def _meanings(record: RepeatabilityRecord) -> Iterator[str]:
    yield "What it means:"
    silent: dict[str, list[str]] = {}
    for each in record.measures:
        if each.sdc.value is None:
            silent.setdefault(each.meaning, []).append(_name(each))
        else:
            yield _wrapped(f"{_name(each)}: {each.meaning.removesuffix(ROUGH)}", "  ")
    if rough := [_name(each) for each in record.measures if each.sdc.value is not None and not each.enough]:
        yield _wrapped(f"Rough, since they rest on few repeats: {', '.join(rough)}.", "  ")
    for text, names in silent.items():
        yield _wrapped(f"{', '.join(names)}: {text}", "  ")


def _hand(record: RepeatabilityRecord) -> Iterator[str]:
    told = [(each, each.hand) for each in record.measures if each.hand is not None]
    if told:
        yield "Against measures by hand (photo minus hand):"
    for each, hand in told:
        if hand.difference.value is None:
            yield _wrapped(f"{_name(each)}: {hand.difference.reason}", "  ")
            continue
        unit = UNITS.get(each.unit, each.unit)
        text = (
            f"{_name(each)}, {hand.claws} claws: mean difference {_signed(hand.difference)}{unit}; 95 of 100 single "
            f"photos lie between {_signed(hand.lower)} and {_signed(hand.upper)}{unit} of a single hand measure; "
        )
        known = hand.concordance.value is not None
        yield _wrapped(text + (f"concordance {_icc(hand.concordance)}." if known else "concordance not known."), "  ")
    if record.hand_unmatched:
        lines = [f"line {each.line}: {each.why}" for each in record.hand_unmatched]
        yield from _listed("Rows of the hand measures that do not count:", lines)


def _stated(record: RepeatabilityRecord) -> Iterator[str]:
    by_verdict: dict[str, list[str]] = {}
    for each in record.measures:
        if each.stated_verdict is not None:
            by_verdict.setdefault(each.stated_verdict, []).append(_name(each))
    if by_verdict:
        yield "The stated uncertainty is"
    for text, names in by_verdict.items():
        yield _wrapped(f"{text} ({', '.join(names)}).", "  ")


def _flags(record: RepeatabilityRecord) -> Iterator[str]:
    lines = [
        f"{_name(each)}, {flag.strength}: {flag.what}: {flag.where} ({', '.join(flag.photos[:4])}"
        f"{', …' if len(flag.photos) > 4 else ''})"
        for each in record.measures
        for flag in each.flags
    ]
    yield from _listed("Look at these; they were counted all the same:", [*record.doubts, *lines])


def _left_out(record: RepeatabilityRecord) -> Iterator[str]:
    lines = list(record.left_out)
    without = max((each.precision.photos_without_group for each in record.measures), default=0)
    if without:
        noun = "photo tells" if without == 1 else "photos tell"
        lines.append(f"{without} {noun} no {record.by}, and count neither in r and R nor in ICC(2,1)")
    yield from _listed("Left out:", lines)


def _listed(head: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield head
        yield from (_wrapped(line, "  ") for line in lines[:_MOST])
    if len(lines) > _MOST:
        yield f"  … and {len(lines) - _MOST} more, see repeatability.json"


def _name(each: MeasureRepeats) -> str:
    return f"{each.measure} ({each.view})" if each.measure == "helical_twist" else each.measure


def _short(figure: EstimateRecord, decimals: int = 2) -> str:
    return "-" if figure.value is None else f"{figure.value:.{decimals if abs(figure.value) < 99.5 else 0}f}"


def _signed(figure: EstimateRecord) -> str:
    return "-" if figure.value is None else f"{figure.value:+.1f}"


def _icc(figure: EstimateRecord) -> str:
    if figure.value is None:
        return "-"
    if figure.low is None or figure.high is None:
        return f"{figure.value:.2f}"
    return f"{figure.value:.2f} ({figure.low:.2f} to {figure.high:.2f})"


def _wrapped(text: str, indent: str = "") -> str:
    return textwrap.fill(plain(text), _WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
