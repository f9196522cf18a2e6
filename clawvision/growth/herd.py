"""The rates of a herd's claws seen together: a mixed model, so that what is known of all helps each.

rate of a claw = mean of the herd (fore and hind apart) + the cow's part + the claw's part, both normal.

Why the claws' own rates suffice. The whole model of all readings is y = A a + T r + ε, with a free level a for each
segment, the claws' rates r and known variances of ε. Split each claw's readings, with weights 1/u², into the part that
its levels and rate can follow and the residual. The latter is independent of the former and its distribution holds
neither r nor its variances. Of the former, free levels take up what is not in the weighted least squares rate r̂. So the
restricted likelihood of all readings is that of the r̂, each with its known variance v, times a constant, and mean,
predictions and variance components follow from r̂ ~ N(r, v) alone. The tests confirm it against the full model.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from scipy import optimize, special, stats

from clawvision.errors import UsageError
from clawvision.findings.profiles import LIMBS, Limb
from clawvision.growth.rate import DOUBTFUL_P, ClawRate, Estimate, Z
from clawvision.growth.series import ClawKey, limb_of
from clawvision.types import FloatArray, frozen_array

SD_MOST = 3.0
"""Cows, and claws of a cow, differ by no more than this, mm a month, one standard deviation: the whole width of what
walls grow in studies (4 to 7). This project's judgement; it matters only where a herd tells hardly anything."""
FEWEST_CLAWS = 3
"""With fewer rates nothing is learned from the others (status J)."""
UNLIKE_SHARE = 0.03
"""One claw in thirty is taken to grow unlike its herd, by `SD_MOST` (one standard deviation) more or less. Without it
the few fast claws, those that matter, would be drawn to the mean (status J)."""
OUTSIDE_P = 0.01
"""A claw so unlike the others that one herd in a hundred has such a one by chance does not tell how far claws differ
(status J). To leave out all that stand out would make the rest seem more alike than they are."""

MOST_FOR_SPREAD = 1200
"""Of a larger herd a sample of cows with so many rates tells how far cows and claws differ, to some 10 %; means and
predictions use all claws (status J: thousands more tell hardly more and take seconds)."""
SEED = 20310101

_CELLS = 16
_ROUNDS = 3
_LIKELY = 8.0
"""Variance components whose log-likelihood is this much below the best do not count."""
_LEAST_SCATTER = 0.25
_BATCH = 1_000_000


@dataclass(frozen=True, slots=True)
class HerdClaw:
    """One claw's rate as the herd tells it.

    Attributes
    ----------
    own
        What its own readings say.
    estimate
        Its predicted rate; also of a claw without a rate of its own. None with a ``reason`` where nothing is known.
    birge
        By what its stated uncertainties were enlarged, 1 where they were not.
    rank, own_rank
        Place among the claws by the predicted and by the own rate, 1 is the fastest. None where there is no such rate.
    unlike
        Probability that the claw grows unlike the herd, None where it has no rate. The nearer to 1, the less its
        estimate is drawn to the herd's.
    """

    own: ClawRate
    estimate: Estimate | None
    birge: float
    rank: int | None
    own_rank: int | None
    unlike: float | None
    reason: str | None

    @property
    def key(self) -> ClawKey:
        """Return animal, foot and claw."""
        return self.own.key

    @property
    def stands_out(self) -> bool:
        """Return whether the claw more likely than not grows unlike the herd."""
        return self.unlike is not None and self.unlike > 0.5


@dataclass(frozen=True, slots=True, eq=False)
class HerdGrowth:
    """A herd's growth: claws in the order given, mean rates by limb, standard deviations between cows and claws.

    ``sd_cow`` and ``sd_claw`` are the REML estimates, None where the mixed model was not used. ``birge`` is the factor
    by which all stated uncertainties were multiplied for the rates, other than 1 only where the residuals say so, and
    ``scatter`` what the residuals say of it. ``covariances`` holds for each animal the keys of its claws and the
    matrix of prediction errors.
    """

    claws: tuple[HerdClaw, ...]
    means: Mapping[Limb, Estimate]
    sd_cow: float | None
    sd_claw: float | None
    birge: float
    scatter: float | None
    covariances: Mapping[str, tuple[tuple[ClawKey, ...], FloatArray]]
    notes: tuple[str, ...]

    def covariance(self, one: ClawKey, two: ClawKey) -> float:
        """Return the covariance of two claws' errors; of different animals it is small and taken as 0."""
        if one[0] != two[0] or one[0] not in self.covariances:
            return 0.0
        keys, matrix = self.covariances[one[0]]
        if one not in keys or two not in keys:
            return 0.0
        return float(matrix[keys.index(one), keys.index(two)])


@dataclass(frozen=True, slots=True, eq=False)
class _Claws:
    """Arrays over claws, sorted by cow. ``known`` marks claws with a rate that counts; others only get one."""

    rate: FloatArray
    variance: FloatArray
    known: FloatArray
    fixed: FloatArray
    starts: np.ndarray[tuple[int], np.dtype[np.intp]]

    @property
    def sizes(self) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """Claws of each cow."""
        return np.diff(np.append(self.starts, len(self.rate)))

    @property
    def cow(self) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        return np.repeat(np.arange(len(self.starts)), self.sizes)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """The linear mixed model at K pairs of variance components; see `_solve`."""

    log_likelihood: FloatArray
    mean: FloatArray
    mean_covariance: FloatArray
    weight: FloatArray
    cow_variance: FloatArray
    cow_fixed: FloatArray
    cow_effect: FloatArray


def herd_growth(rates: Sequence[ClawRate]) -> HerdGrowth:
    """Fit the mixed model and predict each claw's rate.

    Variance components are estimated by REML. A herd of usual size leaves them uncertain, at zero in the worst case,
    and predictions that took the estimate for the truth would be too sure. So each prediction is the mean of the best
    linear unbiased predictions over all pairs of standard deviations, weighted by their restricted likelihood (flat
    between 0 and `SD_MOST`), and its variance is the mean of their variances, which hold the uncertainty of the fixed
    effects, plus the variance of their means.

    Parameters
    ----------
    rates
        Each claw once, also claws without a rate.

    Raises
    ------
    UsageError
        If a claw is given twice.
    """
    keys = [each.key for each in rates]
    if len(set(keys)) < len(keys):
        twice = next(key for key in keys if keys.count(key) > 1)
        raise UsageError(f"Claw {' '.join(twice)} is given twice.", "Put all its readings into one series.")
    birge, scatter = _pooled_birge(rates)
    notes = []
    if birge > 1:
        notes.append(f"The lengths scatter more than their uncertainties allow: all were multiplied by {birge:.2f}.")
    if birge < 1:
        notes.append(
            f"The lengths scatter less than their uncertainties say, since photos of a claw share errors that cancel "
            f"in a rate: for the rates all were multiplied by {birge:.2f}."
        )
    order = sorted(range(len(rates)), key=lambda index: keys[index])
    known = [index for index in order if rates[index].estimate is not None]
    if len(known) < FEWEST_CLAWS:
        notes.append(f"Fewer than {FEWEST_CLAWS} claws have a rate, so each stands by itself.")
        claws = [HerdClaw(own, own.estimate, own.birge, None, None, None, own.reason) for own in rates]
        nothing: Mapping[str, tuple[tuple[ClawKey, ...], FloatArray]] = MappingProxyType({})
        return HerdGrowth(_ranked(claws), MappingProxyType({}), None, None, birge, scatter, nothing, tuple(notes))
    limbs: list[Limb] = [limb for limb in LIMBS if any(limb_of(rates[index].key[1]) == limb for index in known)]
    order = [index for index in order if limb_of(keys[index][1]) in limbs]
    factors = {index: _factor(rates[index], birge, len(known)) for index in known}
    variances = {index: ((rates[index].u_stated or 0.0) * factors[index]) ** 2 for index in known}
    data = _arrays([rates[index] for index in order], [variances.get(index) for index in order], limbs)

    apart = np.zeros(len(order), dtype=bool)
    # A claw far outside widens the spread in which others then do not stand out: look again without it.
    while True:
        active = replace(data, known=np.where(apart, 0.0, data.known))
        components, sds, log_weights = _components(_sampled(active))
        outside = _outside(active, _surprise(active, components))
        if not outside:
            break
        apart[outside] = True
    predicted = _predict(active, data.known > 0, sds, log_weights)

    made: dict[int, HerdClaw] = {}
    for place, index in enumerate(order):
        unlike = float(predicted.unlike[place]) if index in variances else None
        factor = max(1.0, factors.get(index, birge))
        estimate = _interval(float(predicted.value[place]), float(predicted.u[place]))
        made[index] = HerdClaw(rates[index], estimate, factor, None, None, unlike, None)
    for index, own in enumerate(rates):
        if index not in made:
            reason = f"No {limb_of(own.key[1])} claw of the herd has a rate."
            made[index] = HerdClaw(own, None, max(1.0, birge), None, None, None, reason)
    by_animal: dict[str, tuple[tuple[ClawKey, ...], FloatArray]] = {}
    bounds = [*data.starts.tolist(), len(order)]
    for cow, matrix in enumerate(predicted.covariances):
        held = tuple(keys[order[place]] for place in range(bounds[cow], bounds[cow + 1]))
        by_animal[held[0][0]] = (held, frozen_array(matrix))
    odd = sum(claw.stands_out for claw in made.values())
    if odd:
        notes.append(f"{odd} claws grow unlike the herd, and their rates are hardly drawn to it.")
    if max(components) > 0.99 * SD_MOST:
        notes.append(f"Claws differ by {SD_MOST:g} mm a month or more: look for photos of other claws or wrong scales.")
    cows = len({key[0] for index, key in enumerate(keys) if rates[index].estimate is not None})
    if cows < 2:
        notes.append("All rates are of one animal: how far animals differ is not known.")
    return HerdGrowth(
        claws=_ranked([made[index] for index in range(len(rates))]),
        means=MappingProxyType({limb: _interval(*predicted.means[column]) for column, limb in enumerate(limbs)}),
        sd_cow=components[0],
        sd_claw=components[1],
        birge=birge,
        scatter=scatter,
        covariances=MappingProxyType(by_animal),
        notes=tuple(notes),
    )


def _interval(value: float, u: float) -> Estimate:
    return Estimate(value, u, value - Z * u, value + Z * u)


def _pooled_birge(rates: Sequence[ClawRate]) -> tuple[float, float | None]:
    """Return the factor for all stated uncertainties, and the ratio of scatter to what is stated.

    Upwards the factor is that ratio, if it is beyond chance. Downwards it is the ratio's upper bound, which comes down
    to 1 smoothly and takes away little where few residuals tell of it.
    """
    chi_square, degrees = sum(each.chi_square for each in rates), sum(each.degrees for each in rates)
    if degrees == 0:
        return 1.0, None
    ratio = math.sqrt(chi_square / degrees)
    if special.chdtrc(degrees, chi_square) < DOUBTFUL_P:
        return ratio, ratio
    # Exact readings, as in a made-up herd, must not make a rate exact.
    return min(1.0, max(_LEAST_SCATTER, math.sqrt(chi_square / float(stats.chi2.ppf(DOUBTFUL_P, degrees))))), ratio


def _factor(own: ClawRate, birge: float, claws: int) -> float:
    """Return by what a claw's stated uncertainty is multiplied among a herd's.

    Of many claws some always have large residuals, and a factor from a few of them is a poor one: the factor that all
    claws share goes first, and a claw's own one counts only where its residuals are too large for any of the herd's.
    """
    if own.degrees and special.chdtrc(own.degrees, own.chi_square / birge**2) < DOUBTFUL_P / claws:
        return max(birge, math.sqrt(own.chi_square / own.degrees))
    return birge


def _arrays(rates: Sequence[ClawRate], variances: Sequence[float | None], limbs: Sequence[Limb]) -> _Claws:
    animals = [each.key[0] for each in rates]
    starts = [place for place, name in enumerate(animals) if place == 0 or name != animals[place - 1]]
    return _Claws(
        rate=np.array([each.estimate.value if each.estimate else 0.0 for each in rates]),
        variance=np.array([1.0 if variance is None else variance for variance in variances]),
        known=np.array([0.0 if variance is None else 1.0 for variance in variances]),
        # One column a limb: its mean itself, so that mean and uncertainty can be read off.
        fixed=np.array([[float(limb_of(each.key[1]) == limb) for limb in limbs] for each in rates]),
        starts=np.array(starts, dtype=np.intp),
    )


def _solve(data: _Claws, sd_cow: FloatArray, sd_claw: FloatArray) -> _Solved:
    """Solve the model at K pairs of standard deviations; arrays are (K, …), over n claws, m cows, p fixed effects.

    With d = σ²_claw + v, a cow's block is V = diag(d) + σ²_cow 11ᵀ, whose inverse is diag(1/d) − κ (1/d)(1/d)ᵀ with
    κ = σ²_cow / (1 + σ²_cow Σ1/d), the variance of the cow's effect given its rates and the fixed effects.

    Returns
    -------
    _Solved
        ``weight`` (K, n) is the share of its own deviation that a claw keeps, σ²_claw / d; ``cow_variance`` (K, m) is
        κ; ``cow_fixed`` (K, m, p) is κ Σ x/d, how the cow's effect falls as fixed effects rise; ``cow_effect`` (K, m).
    """
    cow2, claw2 = sd_cow[:, None] ** 2, sd_claw[:, None] ** 2
    x = data.fixed
    d = claw2 + data.variance
    w = data.known / d
    kappa = cow2 / (1 + cow2 * np.add.reduceat(w, data.starts, axis=1))
    sum_x = np.stack([np.add.reduceat(w * column, data.starts, axis=1) for column in x.T], axis=-1)
    sum_r = np.add.reduceat(w * data.rate, data.starts, axis=1)
    taken = (kappa[:, :, None] * sum_x).swapaxes(1, 2)
    products = (x[:, :, None] * x[:, None, :]).reshape(len(x), -1)
    information = (w @ products).reshape(-1, x.shape[1], x.shape[1]) - taken @ sum_x
    score = w @ (x * data.rate[:, None]) - (taken @ sum_r[:, :, None])[:, :, 0]
    square = w @ data.rate**2 - (kappa * sum_r**2).sum(axis=1)
    covariance = np.linalg.inv(information)
    mean = np.einsum("kpq,kq->kp", covariance, score)
    log_determinant = (data.known * np.log(d)).sum(axis=1) - np.where(cow2 > 0, np.log(_ratio(kappa, cow2)), 0.0).sum(1)
    rest = square - np.einsum("kp,kp->k", score, mean)
    return _Solved(
        log_likelihood=-0.5 * (log_determinant + np.linalg.slogdet(information)[1] + rest),
        mean=mean,
        mean_covariance=covariance,
        weight=data.known * claw2 / d,
        cow_variance=kappa,
        cow_fixed=kappa[:, :, None] * sum_x,
        cow_effect=kappa * (sum_r - np.einsum("kmp,kp->km", sum_x, mean)),
    )


def _ratio(kappa: FloatArray, cow2: FloatArray) -> FloatArray:
    ratio: FloatArray = np.divide(kappa, cow2, out=np.ones_like(kappa), where=cow2 > 0)
    return ratio


def _log_likelihood(data: _Claws, sd_cow: FloatArray, sd_claw: FloatArray) -> FloatArray:
    """Return the restricted log-likelihood, in batches that fit into memory."""
    size = max(1, _BATCH // len(data.rate))
    spans = [slice(start, start + size) for start in range(0, len(sd_cow), size)]
    return np.concatenate([_solve(data, sd_cow[span], sd_claw[span]).log_likelihood for span in spans])


def _sampled(data: _Claws) -> _Claws:
    """Return the claws of so many cows, drawn at random, that `MOST_FOR_SPREAD` have a rate; all where there are fewer.

    A draw always comes out the same. Where by chance one limb is hardly among them, all claws are taken.
    """
    known = np.add.reduceat(data.known, data.starts)
    if known.sum() <= MOST_FOR_SPREAD:
        return data
    drawn = np.random.default_rng(SEED).permutation(len(data.starts))
    cows = np.sort(drawn[: int(np.searchsorted(np.cumsum(known[drawn]), MOST_FOR_SPREAD)) + 1])
    chosen = np.isin(data.cow, cows)
    sizes = data.sizes[cows]
    sample = _Claws(
        data.rate[chosen],
        data.variance[chosen],
        data.known[chosen],
        data.fixed[chosen],
        np.append(0, np.cumsum(sizes)[:-1]).astype(np.intp),
    )
    return sample if (sample.known @ sample.fixed >= FEWEST_CLAWS).all() else data


def _components(data: _Claws) -> tuple[tuple[float, float], FloatArray, FloatArray]:
    """Return the REML standard deviations (cow, claw), and a grid (K, 2) over the likely ones with log-weights (K).

    The grid is that of midpoints in the box that holds what is likely; it shrinks to it in rounds.
    """
    low, high = np.zeros(2), np.full(2, SD_MOST)
    for _ in range(_ROUNDS):
        step = (high - low) / _CELLS
        axes = [low[axis] + step[axis] * (np.arange(_CELLS) + 0.5) for axis in range(2)]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
        log_likelihood = _log_likelihood(data, grid[:, 0], grid[:, 1])
        likely = grid[log_likelihood > log_likelihood.max() - _LIKELY]
        used = (grid, log_likelihood)
        low = np.maximum(likely.min(axis=0) - step, 0.0)
        high = np.minimum(likely.max(axis=0) + step, SD_MOST)
    grid, log_likelihood = used

    def cost(sds: FloatArray) -> float:
        return -float(_solve(data, sds[:1], sds[1:]).log_likelihood[0])

    best = optimize.minimize(
        cost,
        grid[int(np.argmax(log_likelihood))],
        method="Nelder-Mead",
        bounds=[(0.0, SD_MOST)] * 2,
        options={"xatol": 1e-6, "fatol": 1e-10},
    ).x
    # The search meets the boundary only nearly; where nothing is lost there, it is zero.
    for axis in range(2):
        zero = best.copy()
        zero[axis] = 0.0
        if cost(zero) <= cost(best) + 1e-9:
            best = zero
    return (float(best[0]), float(best[1])), grid, log_likelihood - log_likelihood.max()


def _surprise(data: _Claws, components: tuple[float, float]) -> FloatArray:
    """Return each claw's residual from what the others foretell, in its standard deviations; NaN where not known.

    With P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹ the residual is (P r)ⱼ / Pⱼⱼ and its variance 1 / Pⱼⱼ.
    """
    solved = _solve(data, np.array([components[0]]), np.array([components[1]]))
    cow = data.cow
    d = components[1] ** 2 + data.variance
    kappa = solved.cow_variance[0, cow]
    row = (data.fixed - solved.cow_fixed[0, cow]) / d[:, None]
    diagonal = 1 / d - kappa / d**2 - np.einsum("np,pq,nq->n", row, solved.mean_covariance[0], row)
    residual = (data.rate - data.fixed @ solved.mean[0] - solved.cow_effect[0, cow]) / d
    # A claw that alone tells its limb's mean has nothing foretold of it.
    told = (data.known > 0) & (diagonal * d > 1e-9)
    z: FloatArray = np.where(told, residual / np.sqrt(np.where(told, diagonal, 1.0)), np.nan)
    return z


def _outside(data: _Claws, surprise: FloatArray) -> list[int]:
    """Return the claws far outside, the worst one of each cow: it also makes its neighbours look odd."""
    size = np.nan_to_num(np.abs(surprise))
    least = float(stats.norm.isf(OUTSIDE_P / 2 / data.known.sum()))
    left = data.known.copy()
    found: list[int] = []
    cow, cows = data.cow, set[int]()
    for place in np.argsort(-size, kind="stable"):
        if size[place] <= least:
            break
        if cow[place] in cows:
            continue
        left[place] = 0.0
        # Each limb keeps two rates, or nothing would be known of the spread that this claw is judged by.
        if left.sum() < FEWEST_CLAWS or (left @ data.fixed < 2).any():
            break
        found.append(int(place))
        cows.add(int(cow[place]))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Predicted:
    """By claw: rate, standard uncertainty, probability of being unlike. By limb: mean. By cow: covariances."""

    value: FloatArray
    u: FloatArray
    unlike: FloatArray
    means: list[tuple[float, float]]
    covariances: list[FloatArray]


def _predict(
    data: _Claws, has_rate: np.ndarray[tuple[int], np.dtype[np.bool_]], grid: FloatArray, log_weights: FloatArray
) -> _Predicted:
    """Predict all claws' rates over the likely variance components.

    Given these, a claw keeps the share s of its own rate and takes 1 − s from its cow and limb: its error is its own
    part's, s v (σ²_claw where it has no rate), and (1 − s) times the errors of cow and mean.

    The same said by leaving one out: all others foretell it with variance q, and its own rate, with variance v, lies
    ``residual`` from that. It keeps q / (q + v) of the residual and has the variance q v / (q + v). If it is unlike,
    q is larger by `SD_MOST`². How likely that is follows from the density of the residual under either; mean and
    variance are those of the mixture.
    """
    chosen = log_weights > -_LIKELY
    weights = np.exp(log_weights[chosen])
    weights /= weights.sum()
    cows, claws = grid[chosen].T
    count = len(data.rate)
    value, u, unlike = np.zeros(count), np.zeros(count), np.zeros(count)
    matrices: dict[int, FloatArray] = {}
    solved = _joined([_solve(data, cows[part], claws[part]) for part in _batches(len(weights), count)])
    claw2, covariance = claws[:, None, None] ** 2, solved.mean_covariance[:, None]
    for cow in _alike(data, len(weights)):
        # Arrays over cows with equally many claws: (K, cow, claw, fixed effect), of which some lack the first or last.
        span = data.starts[cow][:, None] + np.arange(data.sizes[cow[0]])
        x, s, rate, v, used = (
            data.fixed[span],
            solved.weight[:, span],
            data.rate[span],
            data.variance[span],
            data.known[span] > 0,
        )
        kappa = solved.cow_variance[:, cow, None]
        foretold = np.tensordot(solved.mean, x, (1, 2)) + solved.cow_effect[:, cow, None]
        taken = np.where(used, v / (claw2 + v), 1.0)
        lever = taken[..., None] * (x - solved.cow_fixed[:, cow, None, :])
        of_mean = ((lever @ covariance) * lever).sum(axis=-1)
        own = np.where(used, s * v, claw2)
        like = foretold + s * (rate - foretold)
        like_variance = own + taken**2 * kappa + of_mean
        # What the others foretell. For a claw that was used: (P r)ⱼ / Pⱼⱼ, see `_surprise`; its q v / (q + v) is
        # like_variance, whence q. One that alone tells its limb's mean is foretold nothing.
        told = has_rate[span] & (~used | (like_variance < v * (1 - 1e-9)))
        q = np.where(used, like_variance * v / np.where(told, v - like_variance, 1.0), like_variance)
        residual = np.where(used, (rate - like) * (q + v) / v, rate - foretold)
        like = np.where(told, rate - residual * v / (q + v), like)
        like_variance = np.where(told, q * v / (q + v), like_variance)
        wide = q + SD_MOST**2
        log_odds = 0.5 * (np.log((q + v) / (wide + v)) + residual**2 * (1 / (q + v) - 1 / (wide + v)))
        odds = math.log(UNLIKE_SHARE / (1 - UNLIKE_SHARE)) + log_odds
        p = np.where(told, special.expit(odds), 0.0)
        other = rate - residual * v / (wide + v)
        mean = (1 - p) * like + p * other
        variance = (1 - p) * like_variance + p * (wide * v / (wide + v)) + p * (1 - p) * (other - like) ** 2

        middle = np.tensordot(weights, mean, 1)
        spread = mean - middle
        taken, lever = (1 - p) * taken, (1 - p)[..., None] * lever
        each = weights[:, None, None]
        matrix = _products(each * kappa * taken, taken)
        carried = each[..., None] * (lever @ covariance)
        for column in range(x.shape[-1]):
            matrix += _products(carried[..., column], lever[..., column])
        diagonal = np.arange(span.shape[1])
        matrix[:, diagonal, diagonal] = np.tensordot(weights, variance, 1)
        matrix += _products(each * spread, spread)
        value[span], u[span] = middle, np.sqrt(matrix[:, diagonal, diagonal])
        unlike[span] = np.tensordot(weights, p, 1)
        matrices.update(zip(cow.tolist(), matrix, strict=True))
    means = weights @ solved.mean
    spread = np.einsum("k,kpp->p", weights, solved.mean_covariance) + weights @ (solved.mean - means) ** 2
    told_means = [(float(mean), math.sqrt(float(variance))) for mean, variance in zip(means, spread, strict=True)]
    return _Predicted(value, u, unlike, told_means, [matrices[place] for place in range(len(data.starts))])


def _alike(data: _Claws, nodes: int) -> Iterator[np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Give the cows in groups with equally many claws, small enough for memory."""
    for size in np.unique(data.sizes):
        cows = np.flatnonzero(data.sizes == size)
        most = max(1, _BATCH // (nodes * int(size)))
        for start in range(0, len(cows), most):
            yield cows[start : start + most]


def _products(one: FloatArray, two: FloatArray) -> FloatArray:
    """Return Σ one two over the first axis of arrays (K, cow, claw), for each pair of a cow's claws."""
    products: FloatArray = one.transpose(1, 2, 0) @ two.transpose(1, 0, 2)
    return products


def _batches(nodes: int, claws: int) -> list[slice]:
    size = max(1, _BATCH // claws)
    return [slice(start, start + size) for start in range(0, nodes, size)]


def _joined(parts: Sequence[_Solved]) -> _Solved:
    return _Solved(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in (
                "log_likelihood",
                "mean",
                "mean_covariance",
                "weight",
                "cow_variance",
                "cow_fixed",
                "cow_effect",
            )
        )
    )


def _ranked(claws: Sequence[HerdClaw]) -> tuple[HerdClaw, ...]:
    def places(values: Sequence[float | None]) -> list[int | None]:
        fastest = sorted((value for value in values if value is not None), reverse=True)
        first: dict[float, int] = {}
        for place, value in enumerate(fastest, start=1):
            first.setdefault(value, place)
        return [None if value is None else first[value] for value in values]

    ranks = places([each.estimate.value if each.estimate else None for each in claws])
    own_ranks = places([each.own.estimate.value if each.own.estimate else None for each in claws])
    return tuple(
        replace(each, rank=rank, own_rank=own) for each, rank, own in zip(claws, ranks, own_ranks, strict=True)
    )
