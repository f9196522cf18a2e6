"""The herd's model against the full model of all readings, a reference library, and herds of known rates."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from clawvision.errors import UsageError
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.growth import ClawRate, HerdGrowth, ToeSeries, claw_rate, herd, herd_growth, limb_of, split
from clawvision.growth.rate import Z
from clawvision.types import ClawName, Foot
from tests.growth.made import Row, rate_of, series
from tests.growth.scores import SHORTENING_MOST, score
from tests.growth.simulated import CLAWS, FEET, Plan, simulate

ALIKE = 1e-12
"""A share of unlike claws that makes the model the plain normal one, which the reference solves."""


def _small_herd(seed: int, cows: int = 4) -> list[ToeSeries]:
    return list(simulate(Plan(cows=cows, missing=0.6), np.random.default_rng(seed)).series)


def _full_model(
    herd_series: list[ToeSeries], sd_cow: float, sd_claw: float
) -> tuple[np.ndarray, np.ndarray, float, np.ndarray]:
    """Solve the model of all readings densely: rates, their prediction covariance, restricted log-likelihood, means.

    Textbook mixed model equations with y = X b + Z g + e: X holds each segment's level and each limb's mean rate, Z
    the effect of each cow and claw, all readings in one vector. Shares no line with the program.
    """
    series_used = [each for each in herd_series if each.readings]
    parts = [(place, part) for place, each in enumerate(series_used) for part in split(each, SHORTENING_MOST).parts]
    limbs = sorted({limb_of(each.foot) for each in series_used})
    cows = sorted({each.animal for each in series_used})
    count = sum(len(part) for _, part in parts)
    x = np.zeros((count, len(parts) + len(limbs)))
    z = np.zeros((count, len(cows) + len(series_used)))
    y, r = np.zeros(count), np.zeros(count)
    row = 0
    for segment, (place, part) in enumerate(parts):
        each = series_used[place]
        for reading in part:
            t = (reading.day - part[0].day).days / DAYS_PER_MONTH
            x[row, segment] = 1
            x[row, len(parts) + limbs.index(limb_of(each.foot))] = t
            z[row, cows.index(each.animal)] = t
            z[row, len(cows) + place] = t
            y[row], r[row] = reading.length_mm, reading.u_mm**2
            row += 1
    g = np.diag([sd_cow**2] * len(cows) + [sd_claw**2] * len(series_used))
    v = z @ g @ z.T + np.diag(r)
    vi = np.linalg.inv(v)
    information = x.T @ vi @ x
    covariance = np.linalg.inv(information)
    beta = covariance @ x.T @ vi @ y
    residual = y - x @ beta
    gamma = g @ z.T @ vi @ residual
    likelihood = -0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + residual @ vi @ residual)
    pick_beta = np.zeros((len(series_used), x.shape[1]))
    pick_gamma = np.zeros((len(series_used), z.shape[1]))
    for place, each in enumerate(series_used):
        pick_beta[place, len(parts) + limbs.index(limb_of(each.foot))] = 1
        pick_gamma[place, cows.index(each.animal)] = pick_gamma[place, len(cows) + place] = 1
    rates = pick_beta @ beta + pick_gamma @ gamma
    lever = pick_beta - pick_gamma @ g @ z.T @ vi @ x
    errors = pick_gamma @ (g - g @ z.T @ vi @ z @ g) @ pick_gamma.T + lever @ covariance @ lever.T
    return rates, errors, float(likelihood), beta[len(parts) :]


def _at(monkeypatch: pytest.MonkeyPatch, rates: list[ClawRate], sd_cow: float, sd_claw: float) -> HerdGrowth:
    """Run the model with given standard deviations in place of estimated ones, and no claw unlike."""
    grid = np.array([[sd_cow, sd_claw]])
    monkeypatch.setattr(herd, "UNLIKE_SHARE", ALIKE)
    monkeypatch.setattr(herd, "OUTSIDE_P", 1e-300)
    monkeypatch.setattr(herd, "_components", lambda data: ((sd_cow, sd_claw), grid, np.zeros(1)))
    monkeypatch.setattr(herd, "_pooled_birge", lambda rates: (1.0, 1.0))
    return herd_growth(rates)


@pytest.mark.parametrize(("sd_cow", "sd_claw"), [(0.6, 0.5), (0.0, 0.5), (0.6, 0.0), (0.0, 0.0), (2.0, 0.1)])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_rates_alone_tell_what_the_model_of_all_readings_tells(
    monkeypatch: pytest.MonkeyPatch, seed: int, sd_cow: float, sd_claw: float
) -> None:
    herd_series = _small_herd(seed)
    rates, errors, _, means = _full_model(herd_series, sd_cow, sd_claw)
    found = _at(monkeypatch, [claw_rate(each, SHORTENING_MOST) for each in herd_series], sd_cow, sd_claw)
    assert any(claw.own.estimate is None for claw in found.claws), "the herd ought to have a claw without a rate"
    for place, claw in enumerate(found.claws):
        assert claw.estimate is not None
        assert claw.estimate.value == pytest.approx(rates[place], abs=1e-7)
        assert claw.estimate.u == pytest.approx(errors[place, place] ** 0.5, abs=1e-6)
        for other, second in enumerate(found.claws):
            if second.key[0] == claw.key[0]:
                assert found.covariance(claw.key, second.key) == pytest.approx(errors[place, other], abs=1e-7)
    assert [found.means[limb].value for limb in sorted(found.means)] == pytest.approx(means, abs=1e-7)


def test_both_models_have_the_same_restricted_likelihood() -> None:
    herd_series = _small_herd(3)
    rates = [claw_rate(each, SHORTENING_MOST) for each in herd_series]
    known = [rate for rate in rates if rate.estimate is not None]
    data = herd._arrays(known, [(rate.u_stated or 0.0) ** 2 for rate in known], ["fore", "hind"])
    pairs = [(0.6, 0.5), (0.0, 0.5), (0.6, 0.0), (1.5, 1.0)]
    ours = herd._log_likelihood(data, np.array([one for one, _ in pairs]), np.array([two for _, two in pairs]))
    full = np.array([_full_model(herd_series, *pair)[2] for pair in pairs])
    assert ours - ours[0] == pytest.approx(full - full[0], abs=1e-7)


def test_reml_agrees_with_statsmodels_on_rates_of_equal_variance(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    u = 0.5
    rates, values, groups, hind = [], [], [], []
    for cow in range(15):
        effect = rng.normal(0, 0.6)
        for foot in FEET:
            for claw in CLAWS:
                value = 3 + 0.3 * (foot[1] == "H") + effect + rng.normal(0, 0.7) + rng.normal(0, u)
                rates.append(rate_of(value, u, f"Invented {cow:02d}", foot, claw))
                values.append(value)
                groups.append(cow)
                hind.append(float(foot[1] == "H"))
    fixed = np.column_stack([1 - np.array(hind), hind])
    theirs = sm.MixedLM(np.array(values), fixed, groups=np.array(groups)).fit(reml=True)
    found = herd_growth(rates)
    # Its residual is the claw's part and the measurement together, since it knows of no stated variance.
    assert found.sd_cow == pytest.approx(float(np.asarray(theirs.cov_re)[0, 0]) ** 0.5, rel=1e-3)
    assert found.sd_claw == pytest.approx((theirs.scale - u**2) ** 0.5, rel=1e-3)
    exact = _at(monkeypatch, rates, found.sd_cow or 0, found.sd_claw or 0)
    assert [exact.means[limb].value for limb in ("fore", "hind")] == pytest.approx(theirs.fe_params, abs=1e-4)
    assert [exact.means[limb].u for limb in ("fore", "hind")] == pytest.approx(theirs.bse_fe, rel=1e-3)


def test_reml_agrees_with_statsmodels_on_all_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    # Its residual variance at the joint optimum, taken as known, makes ours the same optimum.
    rng = np.random.default_rng(8)
    days = (0, 70, 130, 190)
    rows = []
    for cow in range(8):
        effect = rng.normal(0, 0.8)
        for place, (foot, claw) in enumerate([("LH", "outer"), ("LH", "inner"), ("RH", "outer"), ("RH", "inner")]):
            rate = 3 + effect + rng.normal(0, 0.7)
            for day in days:
                cut = 8.0 if day > 100 else 0.0
                length = 85 - cut + rate * day / DAYS_PER_MONTH + rng.normal(0, 1.0)
                rows.append((cow, place, foot, claw, day, length, f"{cow}-{place}-{day > 100}"))
    frame = pd.DataFrame(rows, columns=["cow", "claw", "foot", "name", "day", "length", "segment"])
    frame["months"] = frame["day"] / DAYS_PER_MONTH
    levels = pd.get_dummies(frame["segment"], dtype=float).to_numpy()
    exog = np.column_stack([levels, frame["months"]])
    slopes = {
        "claw": {
            cow: (frame["months"].to_numpy()[:, None] * pd.get_dummies(frame["claw"], dtype=float).to_numpy())[
                (frame["cow"] == cow).to_numpy()
            ]
            for cow in range(8)
        }
    }
    names = {"claw": {cow: [f"claw {place}" for place in range(4)] for cow in range(8)}}
    components = sm.regression.mixed_linear_model.VCSpec(
        ["claw"], [[names["claw"][cow] for cow in range(8)]], [[slopes["claw"][cow] for cow in range(8)]]
    )
    model = sm.MixedLM(
        frame["length"].to_numpy(),
        exog,
        groups=frame["cow"].to_numpy(),
        exog_re=frame[["months"]].to_numpy(),
        exog_vc=components,
    )
    theirs = model.fit(reml=True, method=["powell", "lbfgs"])
    u = theirs.scale**0.5
    rates = []
    for (cow, _), group in frame.groupby(["cow", "claw"]):
        readings: list[Row] = [(int(row.day), float(row.length), u) for row in group.itertuples()]
        foot: Foot = group["foot"].iloc[0]
        claw: ClawName = group["name"].iloc[0]
        rates.append(claw_rate(series(readings, [100], f"Invented {cow}", foot, claw)))
    monkeypatch.setattr(herd, "_pooled_birge", lambda rates: (1.0, 1.0))
    found = herd_growth(rates)
    assert found.sd_cow == pytest.approx(float(np.asarray(theirs.cov_re)[0, 0]) ** 0.5, rel=5e-3)
    assert found.sd_claw == pytest.approx(float(theirs.vcomp[0]) ** 0.5, rel=5e-3)
    exact = _at(monkeypatch, rates, found.sd_cow or 0, found.sd_claw or 0)
    predicted = [
        theirs.fe_params[-1] + np.asarray(effects)[0] + np.asarray(effects)[1 + place]
        for effects in theirs.random_effects.values()
        for place in range(4)
    ]
    assert [claw.estimate.value for claw in exact.claws if claw.estimate] == pytest.approx(predicted, abs=5e-3)


@pytest.mark.parametrize("photos_at_trims", [False, True])
def test_intervals_hold_and_errors_shrink_on_usual_herds(photos_at_trims: bool) -> None:
    # 160 claws a herd: one photo a visit, or two at a trim. The benchmark counts a hundred herds and more.
    found = score(Plan(photos_at_trims=photos_at_trims), 12, seed=2)
    assert 0.93 <= found.held <= 0.97
    assert found.ratio <= 0.7


def test_intervals_hold_with_fast_claws() -> None:
    found = score(Plan(photos_at_trims=False, fast=0.03), 12, seed=3)
    assert 0.93 <= found.held <= 0.97
    assert found.ratio <= 0.7


def test_claws_that_are_all_alike_are_not_said_to_differ() -> None:
    found = score(Plan(sd_cow=0.0, sd_claw=0.0), 5, seed=4)
    assert found.held >= 0.95
    assert found.ratio <= 0.35
    assert found.sd_claw < 0.15 and found.sd_cow < 0.15


def test_errors_that_photos_of_a_claw_share_do_not_make_it_too_sure() -> None:
    # Stated uncertainties are then larger than what scatters; taken at face value they made intervals hold 85 %.
    found = score(Plan(shared=0.5), 8, seed=5)
    assert found.scatter == pytest.approx(0.5**0.5, abs=0.05)
    assert found.held >= 0.93


def _herd_with(extra: float, cows: int = 6, u: float = 0.6) -> HerdGrowth:
    rng = np.random.default_rng(9)
    rates = [
        rate_of(3 + rng.normal(0, 0.5) + rng.normal(0, u), u, f"Invented {cow:02d}", foot, claw)
        for cow in range(cows)
        for foot in FEET
        for claw in CLAWS
    ]
    fast = rates[0]
    return herd_growth([rate_of(3 + extra, u, *fast.key), *rates[1:]])


def test_a_fast_claw_is_not_hidden_by_the_herd() -> None:
    found = _herd_with(5.0)
    claw = found.claws[0]
    assert claw.estimate is not None
    assert (claw.rank, claw.own_rank) == (1, 1)
    assert claw.stands_out
    assert claw.estimate.value > 7.5  # of 8; a plain normal model says about 6
    assert any("unlike the herd" in note for note in found.notes)
    # It makes no other claw faster, nor the herd look more varied.
    quiet = _herd_with(0.0)
    assert found.sd_claw == pytest.approx(quiet.sd_claw or 0, abs=0.1)
    assert found.means["hind"].value == pytest.approx(quiet.means["hind"].value, abs=0.1)


def test_an_ordinary_claw_does_not_stand_out() -> None:
    assert sum(claw.stands_out for claw in _herd_with(0.0).claws) == 0


def test_a_claw_without_a_rate_takes_the_herds_and_is_less_sure() -> None:
    rates = [claw_rate(series([(0, 80, 1)], animal="Invented 00", foot="LH"))]
    rates += [
        rate_of(3.0 + 0.4 * cow, 0.3, f"Invented {cow:02d}", foot, "inner") for cow in range(5) for foot in ("LH", "RH")
    ]
    found = herd_growth(rates)
    claw = found.claws[0]
    assert claw.own.estimate is None and claw.estimate is not None
    assert claw.unlike is None and claw.own_rank is None and claw.rank is not None
    partner = found.claws[1].estimate
    assert partner is not None
    assert claw.estimate.u > partner.u
    # Its cow is the slowest one, so that it is put below the herd's mean.
    assert claw.estimate.value < found.means["hind"].value


def test_a_limb_without_any_rate_stays_unknown_with_a_reason() -> None:
    rates = [rate_of(3.0, 0.3, f"Invented {cow}", "LH", "outer") for cow in range(4)]
    found = herd_growth([*rates, claw_rate(series([(0, 80, 1)], animal="Invented 0", foot="LF"))])
    assert found.claws[-1].estimate is None
    assert found.claws[-1].reason is not None and "fore" in found.claws[-1].reason
    assert set(found.means) == {"hind"}


def test_two_claws_are_no_herd() -> None:
    rates = [rate_of(3.0, 0.3, "Invented 1", "LH", "outer"), rate_of(5.0, 0.3, "Invented 1", "LH", "inner")]
    found = herd_growth(rates)
    assert [claw.estimate for claw in found.claws] == [rate.estimate for rate in rates]
    assert found.sd_claw is None
    assert found.notes
    assert herd_growth([]).claws == ()


@pytest.mark.parametrize("claws", [3, 4, 5])
def test_few_claws_of_one_animal_are_drawn_little_and_never_surer_than_possible(claws: int) -> None:
    keys: list[tuple[Foot, ClawName]] = [(foot, claw) for foot in FEET for claw in CLAWS]
    rates = [rate_of(3.0 + place, 0.5, "Invented 1", *keys[place]) for place in range(claws)]
    found = herd_growth(rates)
    assert any("one animal" in note for note in found.notes)
    for claw, rate in zip(found.claws, rates, strict=True):
        assert claw.estimate is not None and rate.estimate is not None
        assert abs(claw.estimate.value - rate.estimate.value) < 0.7
        assert 0.25 < claw.estimate.u < 0.7


def test_one_claw_alone_of_its_limb_keeps_its_own_rate() -> None:
    rates = [rate_of(3.0, 0.3, f"Invented {cow}", "LH", "outer") for cow in range(4)]
    found = herd_growth([*rates, rate_of(6.0, 0.4, "Invented 9", "LF", "outer")])
    assert found.claws[-1].estimate is not None
    assert found.claws[-1].estimate.value == pytest.approx(6.0)
    assert found.claws[-1].unlike == 0.0


def test_the_order_of_claws_changes_nothing() -> None:
    rates = [claw_rate(each, SHORTENING_MOST) for each in _small_herd(6)]
    one, two = herd_growth(rates), herd_growth(rates[::-1])
    assert [claw.key for claw in two.claws] == [claw.key for claw in one.claws][::-1]
    for first, second in zip(one.claws, two.claws[::-1], strict=True):
        assert first.estimate is not None and second.estimate is not None
        assert second.estimate.value == pytest.approx(first.estimate.value, abs=1e-9)


def test_covariances_are_those_of_errors() -> None:
    found = herd_growth([claw_rate(each, SHORTENING_MOST) for each in _small_herd(7)])
    for keys, matrix in found.covariances.values():
        assert np.linalg.eigvalsh(matrix).min() > 0
        for place, key in enumerate(keys):
            claw = next(claw for claw in found.claws if claw.key == key)
            assert claw.estimate is not None
            assert matrix[place, place] == pytest.approx(claw.estimate.u**2)
            assert claw.estimate.high - claw.estimate.low == pytest.approx(2 * Z * claw.estimate.u)
    assert found.covariance(found.claws[0].key, found.claws[-1].key) == 0.0


def test_a_claw_given_twice_is_refused() -> None:
    rate = rate_of(3.0, 0.3, "Invented 1", "LH", "outer")
    with pytest.raises(UsageError, match="Invented 1 LH outer"):
        herd_growth([rate, rate])


def test_a_sample_of_a_large_herd_tells_its_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    made = simulate(Plan(cows=260, missing=0.2), np.random.default_rng(8))
    rates = [claw_rate(each, SHORTENING_MOST) for each in made.series]
    assert sum(each.estimate is not None for each in rates) > herd.MOST_FOR_SPREAD
    sampled = herd_growth(rates)
    assert herd_growth(rates).claws == sampled.claws
    monkeypatch.setattr(herd, "MOST_FOR_SPREAD", len(rates))
    whole = herd_growth(rates)
    assert sampled.sd_cow != whole.sd_cow
    # The sample's spread has an uncertainty of some 10 %, which moves a prediction by far less than its own.
    for one, two in zip(sampled.claws, whole.claws, strict=True):
        assert one.estimate is not None and two.estimate is not None
        assert abs(one.estimate.value - two.estimate.value) < 0.3 * two.estimate.u
        assert one.estimate.u == pytest.approx(two.estimate.u, rel=0.1)
    held = [each.estimate.low <= made.rates[each.key] <= each.estimate.high for each in sampled.claws if each.estimate]
    assert 0.93 < np.mean(held) < 0.98


def test_cows_with_unequal_numbers_of_claws_are_told_as_each_alone_would_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cows are worked on in groups of equal size; groups of one cow must give the same."""
    made = simulate(Plan(cows=9), np.random.default_rng(3)).series
    rates = [claw_rate(each) for number, each in enumerate(made) if number % 5 and number % 7]
    assert len({sum(other.key[0] == each.key[0] for other in rates) for each in rates}) > 2
    together = herd_growth(rates)
    monkeypatch.setattr(herd, "_BATCH", 1)
    for one, two in zip(together.claws, herd_growth(rates).claws, strict=True):
        assert one.estimate is not None and two.estimate is not None
        assert (one.estimate.value, one.estimate.u) == pytest.approx((two.estimate.value, two.estimate.u), rel=1e-9)
