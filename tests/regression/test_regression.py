"""Nothing drifts from what was kept."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest

from tests.regression import table
from tests.regression.table import Table

RENEW = "if every line is meant: python -m tests.regression.renew"


@pytest.fixture(scope="module")
def before() -> Table:
    kept: Table = json.loads(table.TABLE.read_text(encoding="utf-8"))
    return kept


@pytest.fixture(scope="module")
def after(tmp_path_factory: pytest.TempPathFactory) -> Table:
    return table.assessed(tmp_path_factory.mktemp("regression"))


def test_nothing_drifted(before: Table, after: Table) -> None:
    found = table.drifts(before, after)
    assert not found, f"{len(found)} values drifted; {RENEW}\n{table.listed(found)}"


def test_the_set_holds_what_matters(before: Table) -> None:
    """Enough photos are measured, and enough are not, for a drift of either to be seen."""
    photos = [photo for name in table.FOLDERS for photo in before[name]["photos"].values()]
    statuses = [photo["status"] for photo in photos]
    assert len(photos) >= 26
    assert statuses.count("measured") >= 16 and statuses.count("review") >= 3 and statuses.count("refused") >= 3
    assert {"card", "ruler", "id1"} <= {photo["reference"] for photo in photos}
    automatic = [claw for photo in photos for claw in photo["claws"].values() if claw["source"] == "automatic"]
    assert len(automatic) >= 10
    feet = [foot for name in table.FOLDERS for foot in before[name]["feet"].values()]
    assert len({each for foot in feet for each in foot["findings"]}) > 8


def test_a_drift_is_seen(before: Table) -> None:
    """Each kind of change is told, and what stays within the tolerance is not."""
    changed = copy.deepcopy(before)
    photo = changed["samples"]["photos"]["100_side.jpg"]
    toe = photo["claws"]["outer"]["toe_length"]
    toe["value"] += 0.04
    assert not table.drifts(before, changed)
    toe["value"] += 0.02
    photo["claws"]["outer"]["toe_angle"]["uncertainty"] += 0.06
    photo["claws"]["outer"]["heel_height"]["value"] = None
    photo["status"] = "review"
    photo["reasons"].append("blurred")
    foot = next(iter(changed["samples"]["feet"].values()))
    foot["urgency"] = "today"
    foot["findings"].append("invented outer strong")
    del changed["samples"]["photos"]["101_sole.jpg"]
    told = [place for place, _, _ in table.drifts(before, changed)]
    assert len(told) == 8
    for words in ("toe_length value", "toe_angle uncertainty", "heel_height value", "status", "reasons", "urgency"):
        assert any(place.endswith(words) for place in told), words
    assert any("gone" in new for _, _, new in table.drifts(before, changed))


def test_elsewhere_only_a_share_of_the_uncertainty_is_let_pass(before: Table) -> None:
    """Another processor or OpenCV rounds otherwise; a status or a finding that changes there is told all the same."""
    changed = copy.deepcopy(before)
    changed["made_with"]["opencv"] = "0.0"
    photo = changed["samples"]["photos"]["100_side.jpg"]
    toe = photo["claws"]["outer"]["toe_length"]
    toe["value"] += 0.2 * toe["uncertainty"]
    assert not table.drifts(before, changed)
    toe["value"] += 0.2 * toe["uncertainty"]
    photo["status"] = "review"
    assert len(table.drifts(before, changed)) == 2


def test_the_stored_table_is_written_as_the_renewal_writes_it(before: Table) -> None:
    assert table.TABLE.read_text(encoding="utf-8") == table.dumps(before)


def test_the_photos_are_small() -> None:
    assert sum(path.stat().st_size for path in Path(table.FOLDERS["rendered"]).iterdir()) < 1_000_000
