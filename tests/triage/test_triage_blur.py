"""What was made with other settings does not stay: neither pictures from before the blurring, nor measures."""

from __future__ import annotations

from pathlib import Path

from clawvision.types import Settings
from tests.triage.fakes import picture
from tests.triage.test_triage_rounds import Duty, duty  # noqa: F401 - a fixture


def test_asked_to_blur_all_of_a_senders_photos_are_done_again(duty: Duty) -> None:  # noqa: F811
    duty.put("Clover/a.jpg", picture(1))
    duty.rounds()
    blurred = Settings(blur_background=True)
    for settings, times in ((Settings(), 1), (blurred, 2), (blurred, 2)):
        duty.again(settings=settings)
        duty.rounds()
        assert Path(duty.log).read_text().count("a.jpg") == times


def test_with_another_scale_of_print_all_is_measured_again(duty: Duty) -> None:  # noqa: F811
    duty.put("Clover/a.jpg", picture(1))
    duty.rounds()
    for times in (2, 2):
        duty.again(settings=Settings(print_scale=0.98))
        duty.rounds()
        assert Path(duty.log).read_text().count("a.jpg") == times


def test_another_profile_judges_again_what_was_measured(duty: Duty) -> None:  # noqa: F811
    duty.put("Clover/a.jpg", picture(1))
    duty.rounds()
    assessment = duty.out / "senders/Clover/assessment.json"
    assert "jersey" not in assessment.read_text()
    duty.again(profile="jersey")
    duty.rounds()
    assert "jersey" in assessment.read_text()
    assert Path(duty.log).read_text().count("a.jpg") == 1
