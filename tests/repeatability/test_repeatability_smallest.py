"""What repeated photos differ by, as the commands use it that compare photos."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from clawvision.cli import main
from clawvision.compare.change import Change, at_least
from clawvision.errors import UsageError
from clawvision.history.growth import claw_readings
from clawvision.history.rows import ToeLength
from clawvision.repeatability.record import RepeatabilityRecord
from clawvision.repeatability.smallest import SEM_SHARE, read_smallest
from tests.repeatability.photos import herd, write


def study(folder: Path, animals: int = 12) -> Path:
    photos = herd()[: 3 * animals]
    words = ["repeatability", str(write(folder / "june", photos)), "--out", str(folder / "repeats")]
    assert CliRunner().invoke(main, words).exit_code == 0
    return folder / "repeats" / "repeatability.json"


def test_the_smallest_changes_are_those_of_the_study(tmp_path: Path) -> None:
    path = study(tmp_path)
    record = RepeatabilityRecord.model_validate_json(path.read_bytes())
    found = read_smallest(path)
    assert found[("side", "toe_length")] > 0.0
    assert dict(found) == {(each.view, each.measure): each.sdc.value for each in record.measures if each.enough}


def test_too_few_repeats_do_not_count(tmp_path: Path) -> None:
    assert read_smallest(study(tmp_path, animals=4)) == {}


@pytest.mark.parametrize("content", [b"", b"{}", b"\xff\xfe", b'{"schema": "clawvision/assessment/1"}'])
def test_another_file_is_refused_by_name(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "other.json"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=r"other\.json is no repeatability\.json"):
        read_smallest(path)


def test_no_change_is_surer_than_repeats_allow() -> None:
    sure = Change(-8.0, 3.0, ())
    assert sure.sign == -1
    assert at_least(sure, 9.0) == Change(-8.0, 9.0, ()) and at_least(sure, 9.0).sign == 0
    assert at_least(sure, 2.0) == sure and at_least(sure, None) == sure


def test_no_toe_length_over_time_is_surer_than_repeats_allow() -> None:
    days = [date(2031, 1, 1) + timedelta(days=60 * n) for n in range(3)]
    rows = [
        ToeLength("Invented 1", "LH", "outer", day, 90.0 + n, u, "check", "measured", None, None)
        for n, (day, u) in enumerate(zip(days, (2.0, 6.0, 12.0), strict=True))
    ]
    (claw,) = claw_readings(rows, least_u_mm=8.0 * SEM_SHARE)
    # A smallest detectable change of 8 mm is a standard error of 2.9 mm of one photo.
    assert [round(each.u_mm, 2) for each in claw.series.readings] == [2.89, 3.0, 6.0]
