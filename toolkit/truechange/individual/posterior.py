"""The posterior of one person's true change under four priors, each with the uncertainty of the SEM and of the group.

Scores x = (before, after) are true scores θ plus errors. With group means μ, true covariance Σ and error covariance R
the posterior of θ is normal with mean μ + Λ(x − μ), Λ = Σ(Σ + R)⁻¹, and covariance Σ − ΛΣ; the change is c'θ with
c = (−1, 1)·sign. A small group's Σ and μ are themselves uncertain: then the spread τ of true change and its
correlation ρ with the true score before run over a grid, weighted by the likelihood of the group's covariance and weak
priors (own choice, checked by simulation): scale of the observed change for τ, ρ drawn a little towards 0. The SEM
keeps the distribution its own retest study gave it.
"""

from collections.abc import Callable, Iterable, Iterator
from math import atanh, cosh, exp, hypot, inf, log, pi, sqrt, tanh
from typing import NamedTuple

from truechange.foundation.distributions import normal_below, normal_quantile, sem_factors
from truechange.individual.score_error import SMALL, Programme, ScoreError

_TAU_STEPS, _DROP = 24, 1e-4
_Z_STEP, _Z_WIDEST = 1.1, 0.3  # steps of Fisher's z of the correlation, in its standard errors, and at most
SCEPTIC = normal_quantile(0.95)
_SLICES = [(k + 0.5) / 24 for k in range(24)]  # of the tail beyond an end of the scale
_CROWDED = sum(6 * place * (1 - place) for place in _SLICES)

Part = tuple[float, float, float]  # weight, mean, standard deviation
Triple = tuple[float, float, float]  # variance before, covariance, variance after
Row = tuple[float, tuple[float, float]]  # log weight, and what it is the weight of
ChangeState = tuple[float, float, float, float, float]  # weight, SEM factor, τ², mean change, variance of that mean


class Belief(NamedTuple):
    """The posterior of one person's true change (positive = better) under one prior.

    Parameters
    ----------
    prior : str
        What was assumed before the scores were seen: ``"programme"``, ``"programme, change only"``, ``"flat"`` or
        ``"sceptical"``.
    parts : tuple of (float, float, float)
        Weight, mean and standard deviation of each normal curve; weights add up to 1. Several parts carry the
        uncertainty of the SEM and of the group's numbers.
    assumes : str
        The assumption in words.
    """

    prior: str
    parts: tuple[Part, ...]
    assumes: str

    @property
    def mean(self) -> float:
        """Mean of the true change."""
        return sum(weight * mean for weight, mean, _ in self.parts)

    @property
    def sd(self) -> float:
        """Standard deviation of the true change."""
        centre = self.mean
        return sqrt(sum(weight * (sd * sd + (mean - centre) ** 2) for weight, mean, sd in self.parts))

    def above(self, threshold: float, se: float = 0.0) -> float:
        """Return the chance that the true change exceeds `threshold`, itself uncertain with standard error `se`."""
        total = 0.0
        for weight, mean, sd in self.parts:
            spread = hypot(sd, se)
            total += weight * (normal_below((mean - threshold) / spread) if spread else mean > threshold)
        return total

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the central interval holding `confidence` of the belief."""
        tail = (1 - confidence) / 2
        return self._quantile(tail), self._quantile(1 - tail)

    def _quantile(self, share: float) -> float:
        """Find where the belief has `share` below it: Newton steps kept inside a shrinking bracket."""
        reach = 12 * max(sd for _, _, sd in self.parts)
        low, high = min(mean for _, mean, _ in self.parts) - reach, max(mean for _, mean, _ in self.parts) + reach
        x = self.mean + self.sd * normal_quantile(share)
        for _ in range(100):
            off, slope = 1 - self.above(x) - share, self.density(x)
            low, high = (low, x) if off > 0 else (x, high)
            step = x - off / slope if slope > 0 else low
            before, x = x, step if low < step < high else (low + high) / 2
            if abs(x - before) <= 1e-9 * max(1.0, abs(x)):
                break
        return x

    def density(self, x: float) -> float:
        """Return the height of the belief's curve at `x`."""
        heights = (w * exp(-0.5 * ((x - mean) / sd) ** 2) / sd for w, mean, sd in self.parts if sd > 0)
        return sum(heights) / sqrt(2 * pi)


class Seen(NamedTuple):
    """The two scores as seen, and whether one is only known to lie at or beyond a limit of the scale.

    Parameters
    ----------
    before, after : float
        Scores, in the test's unit.
    sign : int
        1 where more is better, -1 where less is better.
    before_side, after_side : int
        0 for a measured score; -1 (+1) when the score is the low (high) end of the scale, so that what the person
        could have done lies at it or below (above) it.
    """

    before: float
    after: float
    sign: int
    before_side: int = 0
    after_side: int = 0

    @property
    def improvement(self) -> float:
        """After minus before, turned so that positive is better."""
        return self.sign * (self.after - self.before)


class Group(NamedTuple):
    """One possible state of the group: true covariance, means, and how uncertain the means are."""

    weight: float
    mu: tuple[float, float]
    true: Triple  # of true scores
    noise: Triple  # error of this person's scores
    doubt: Triple  # the same of the group's means

    def parts(self, seen: Seen) -> Iterator[Part]:
        """Yield the posterior of the true change in this state, split finely where a score is at a limit."""
        v11, v12, v22 = self.true
        s11, s12, s22 = (true + noise for true, noise in zip(self.true, self.noise, strict=True))
        det = s11 * s22 - s12 * s12
        u1, u2 = seen.sign * (v12 - v11), seen.sign * (v22 - v12)
        b1, b2 = (u1 * s22 - u2 * s12) / det, (u2 * s11 - u1 * s12) / det
        r1, r2 = -seen.sign - b1, seen.sign - b2
        d11, d12, d22 = self.doubt
        var = seen.sign * (u2 - u1) - b1 * u1 - b2 * u2 + r1 * r1 * d11 + 2 * r1 * r2 * d12 + r2 * r2 * d22
        sd, base = sqrt(max(var, 0.0)), r1 * self.mu[0] + r2 * self.mu[1]
        predicted = (s11 + d11, s12 + d12, s22 + d22)
        for share, x1, x2 in _possible(seen, self.mu, predicted):
            yield self.weight * share, base + b1 * x1 + b2 * x2, sd


def _possible(seen: Seen, mu: tuple[float, float], cov: Triple) -> Iterator[tuple[float, float, float]]:
    """Yield what the two scores could have been on a scale without ends, given the one that was measured."""
    s11, s12, s22 = cov
    if seen.before_side:
        centre, sd = mu[0] + s12 / s22 * (seen.after - mu[1]), sqrt(s11 - s12 * s12 / s22)
        for share, x in _beyond(centre, sd, seen.before, seen.before_side):
            yield share, x, seen.after
    elif seen.after_side:
        centre, sd = mu[1] + s12 / s11 * (seen.before - mu[0]), sqrt(s22 - s12 * s12 / s11)
        for share, x in _beyond(centre, sd, seen.after, seen.after_side):
            yield share, seen.before, x
    else:
        yield 1.0, seen.before, seen.after


def _beyond(centre: float, sd: float, end: float, side: int) -> Iterator[tuple[float, float]]:
    """Cut the tail of a normal curve beyond `end` into slices; yield each slice's share of it and its middle."""
    tail = normal_below(-side * (end - centre) / sd)
    for place in _SLICES:  # crowded towards both ends of the tail, where the curve is steep
        share = tail * place * place * (3 - 2 * place)
        yield 6 * place * (1 - place) / _CROWDED, centre - side * sd * normal_quantile(share) if share > 1e-15 else end


def flat(seen: Seen, error: ScoreError) -> Belief:
    """Return the belief when every true change was equally likely beforehand: the change as seen, with its error."""
    parts = tuple((weight, seen.improvement, f * error.difference) for f, weight in sem_factors(error.df))
    words = "every true change equally likely before testing; too sure where most people change little"
    return Belief("flat", parts, words)


def sceptical(seen: Seen, error: ScoreError, mcid: float, programme: Programme | None) -> Belief:
    """Return the belief of someone who expects no change on average.

    The spread of true change is the programme's where it is known; otherwise it leaves a 5% chance beforehand of a
    change as large as the MCID.
    """
    if programme is not None:
        words = f"no change on average, people differing as in {programme.name}"
        return Belief("sceptical", _shrunk(_change_only(programme, error, mean=0.0), seen, error), words)
    states = ((weight, f, (mcid / SCEPTIC) ** 2, 0.0, 0.0) for f, weight in sem_factors(error.df))
    words = "no change on average, and a 5% chance beforehand of a change as large as the MCID"
    return Belief("sceptical", _shrunk(states, seen, error), words)


def from_programme(seen: Seen, error: ScoreError, programme: Programme, link: float = 0.0) -> Belief:
    """Return the belief that uses both scores and the group: regression to the mean made explicit.

    `link` is the covariance of the two scores' errors (squared unit), for levels fitted from shared visits.
    """
    words = f"this person could be any of the {programme.n} people of {programme.name}"
    words += "" if programme.entry is None else f", {programme.entry.words}"
    if programme.shape:
        parts = list(_shaped(seen, error, programme, link))
        return Belief("programme", _condensed(parts), f"{words}, whose true changes may have any shape")
    parts = [part for state in group_states(programme.everyone, error, link) for part in state.parts(seen)]
    return Belief("programme", _condensed(parts), words)


def _shaped(seen: Seen, error: ScoreError, programme: Programme, link: float) -> Iterator[Part]:
    """Yield the posterior where true change given the true first score θ₁ has the group's own shape.

    Change = ω + γ(θ₁ − μ₁), ω of that shape. Given the first score θ₁ is normal around its Kelley estimate, so that
    the second score is ω plus normal error and weighs each ω by Bayes' rule (own derivation).
    """
    cell, mu = _cell(programme), programme.mean_before
    centre = sum(change * weight for change, weight in programme.shape)
    spread = sum((change - centre) ** 2 * weight for change, weight in programme.shape)
    for factor, state in sem_factors(error.df):
        e1, e2, linked = (factor * error.before) ** 2, (factor * error.after) ** 2, factor * factor * link
        true, slope = programme.true_slope(factor * error.group_before)
        s1 = true + e1
        cov = (true * (1 + slope) + linked) / s1  # of the two scores, over the variance of the first
        left = true * e1 / s1  # variance of θ₁ once the first score is known
        ahead = (1 + slope) * left - true * linked / s1  # its covariance with the noise in the second score
        noise = (1 + slope) ** 2 * left + e2 - linked * linked / s1 - 2 * (1 + slope) * true * linked / s1
        total, shared = cell + noise, cell + slope * ahead
        sd = sqrt(max(cell + slope * slope * left - shared * shared / total, 0.0))
        predicted = (s1, cov * s1, cov * cov * s1 + spread + noise)
        for share, x1, x2 in _possible(seen, (mu, mu + centre), predicted):
            rest, known = x2 - mu - cov * (x1 - mu), slope * true / s1 * (x1 - mu)
            yield from (
                (state * share * weight, seen.sign * (change + known + shared / total * (rest - change)), sd)
                for weight, change in _weighed_shape(programme, rest, total)
            )


def _cell(programme: Programme) -> float:
    """Return the variance within one step of the group's shape."""
    return (programme.shape[1][0] - programme.shape[0][0]) ** 2 / 12


def _weighed_shape(programme: Programme, seen: float, variance: float) -> list[tuple[float, float]]:
    """Weigh the group's true changes by how likely each makes the value seen."""
    away = [(seen - change) ** 2 / (2 * variance) for change, _ in programme.shape]
    least = min(away)
    weighed = [(w * exp(least - a), change) for (change, w), a in zip(programme.shape, away, strict=True)]
    total = sum(weight for weight, _ in weighed)
    return [(weight / total, change) for weight, change in weighed if weight > 1e-7 * total]


def _condensed(parts: list[Part]) -> tuple[Part, ...]:
    """Merge curves that nearly coincide, keeping mean and variance: a chance moves by less than 0.0002."""
    width = 0.1 * min(sd for _, _, sd in parts)
    if len(parts) < 300 or not width:
        return tuple(parts)
    bins: dict[tuple[int, int], list[float]] = {}
    for weight, mean, sd in parts:
        sums = bins.setdefault((round(mean / width), round(sd / width)), [0.0, 0.0, 0.0])
        for k, value in enumerate((weight, weight * mean, weight * (sd * sd + mean * mean))):
            sums[k] += value
    return tuple((w, m / w, sqrt(max(0.0, q / w - (m / w) ** 2))) for w, m, q in bins.values())


def from_changes(seen: Seen, error: ScoreError, programme: Programme) -> Belief:
    """Return the belief that uses the change alone, not where the person started."""
    sign, words = seen.sign, f"this person's change could be any of those in {programme.name}, wherever they started"
    if programme.shape:
        parts = []
        for factor, state in sem_factors(error.df):
            true, slope = programme.true_slope(factor * error.group_before)
            own, noise = slope * slope * true + _cell(programme), (factor * error.difference) ** 2
            kept, change = own / (own + noise), sign * seen.improvement
            parts += [
                (state * weight, sign * (middle + kept * (change - middle)), sqrt(kept * noise))
                for weight, middle in _weighed_shape(programme, change, own + noise)
            ]
        return Belief("programme, change only", _condensed(parts), words)
    states = _change_only(programme, error, mean=None)
    turned = ((w, f, tau2, sign * m, doubt) for w, f, tau2, m, doubt in states)
    return Belief("programme, change only", _shrunk(turned, seen, error), words)


def _shrunk(states: Iterable[ChangeState], seen: Seen, error: ScoreError) -> tuple[Part, ...]:
    """Draw the seen change towards each state's mean by the reliability of the change score."""
    parts = []
    for weight, factor, tau2, mean, doubt in states:
        noise = (factor * error.difference) ** 2
        kept = tau2 / (tau2 + noise)
        parts.append((weight, mean + kept * (seen.improvement - mean), sqrt(kept * noise + (1 - kept) ** 2 * doubt)))
    return tuple(parts)


def _change_only(programme: Programme, error: ScoreError, mean: float | None) -> Iterator[ChangeState]:
    """Yield states of the spread of true change; `mean` fixes the mean change, None takes the programme's."""
    noise, seen_var, n = error.group_before**2 + error.group_after**2, programme.var_change, programme.n
    centre = programme.mean_change if mean is None else mean
    if states := _positive(n, [(w, f, seen_var - f * f * noise) for f, w in sem_factors(error.df)]):
        yield from ((weight, factor, tau2, centre, 0.0) for weight, factor, tau2 in states)
        return
    for factor, share in sem_factors(error.df):
        rows = []
        for tau in _taus(programme):
            total = tau * tau + factor * factor * noise
            likely = -0.5 * (n - 1) * (log(total) + seen_var / total) - tau * tau / (2 * seen_var)
            rows.append((likely, (tau * tau, 0.0 if mean is not None else total / n)))
        for weight, (tau2, doubt) in _weighed(rows):
            yield share * weight, factor, tau2, centre, doubt


def group_states(programme: Programme, error: ScoreError, link: float = 0.0) -> Iterator[Group]:
    """Yield the states the group may be in: one per SEM for a large group, a grid over τ and ρ for a small one."""
    s11, s12, s22 = programme.sd_before**2, programme.covariance, programme.sd_after**2
    mu, n = (programme.mean_before, programme.mean_after), programme.n
    g1, g2, e1, e2 = (e * e for e in (error.group_before, error.group_after, error.before, error.after))
    squares = [(f * f, share) for f, share in sem_factors(error.df)]
    rooms = [(share, f2, min(s11 - f2 * g1, (s11 - f2 * g1) * (s22 - f2 * g2) - s12 * s12)) for f2, share in squares]
    if states := _positive(n, rooms):
        for weight, f2, _ in states:
            true, noise = (s11 - f2 * g1, s12, s22 - f2 * g2), (f2 * e1, f2 * link, f2 * e2)
            yield Group(weight, mu, true, noise, (0.0, 0.0, 0.0))
        return
    observed = (n, s11, s12 - s11, programme.var_change)
    for f2, share in squares:
        v11 = max(s11 - f2 * g1, 0.05 * s11)
        rows = [row for tau in _taus(programme) for row in _over_correlation(tau, v11, f2 * g1, f2 * g2, observed)]
        for weight, (joint, tau2) in _weighed(rows):
            true = (v11, v11 + joint, v11 + 2 * joint + tau2)
            doubt = ((true[0] + f2 * g1) / n, true[1] / n, (true[2] + f2 * g2) / n)
            yield Group(share * weight, mu, true, (f2 * e1, f2 * link, f2 * e2), doubt)


def _positive(n: int, states: list[Triple]) -> list[Triple]:
    """Keep, for a large group, the SEMs that leave room for true differences; none if less than 95% likely in all."""
    roomy = [state for state in states if state[2] > 0]
    share = sum(weight for weight, _, _ in roomy)
    large = n >= SMALL and share >= 0.95
    return [(weight / share, factor, room) for weight, factor, room in roomy] if large else []


def _taus(programme: Programme) -> list[float]:
    top = programme.sd_change * sqrt(1 + 6 * sqrt(2 / (programme.n - 1)))
    return [top * (k + 0.5) / _TAU_STEPS for k in range(_TAU_STEPS)]


def _over_correlation(tau: float, v11: float, g1: float, g2: float, seen: tuple[int, float, float, float]) -> list[Row]:
    """Weigh the correlations of true change with the true first score, given the spread of true change.

    Even steps of Fisher's z, as wide as its standard error in the group; `g1`, `g2` are the variances of both errors,
    `seen` the number of people, the variance of the first score, its covariance with the change, the change's variance.
    """
    n, s11, b, c = seen
    a_, c_, whole = v11 + g1, tau * tau + g1 + g2, sqrt(v11) * tau
    visible = sqrt(v11 / a_) * tau / sqrt(c_)  # how much of the correlation the errors leave to be seen
    step = min(_Z_STEP / sqrt(n - 3) / visible, _Z_WIDEST)

    def height(z: float) -> float:
        b_ = tanh(z) * whole - g1
        det = a_ * c_ - b_ * b_
        likely = -0.5 * (n - 1) * (log(det) + (c_ * s11 - 2 * b_ * b + a_ * c) / det)
        return likely + log(step * tau) - tau * tau / (2 * c) - 6 * log(cosh(z))

    start = atanh(max(-0.99, min(0.99, (b + g1) / whole)))
    return [(likely, (tanh(z) * whole, tau * tau)) for z, likely in _around(height, start, step)]


def _around(height: Callable[[float], float], start: float, step: float) -> list[tuple[float, float]]:
    """Walk a grid from `start` both ways until nothing more could be seen; return places and heights."""
    grid, best = [], -inf
    for way in (step, -step):
        at = start if way > 0 else start - step
        while (here := height(at)) > best + log(_DROP):
            grid.append((at, here))
            best, at = max(best, here), at + way
    return grid


def _weighed(rows: list[Row]) -> list[Row]:
    """Turn log weights into weights that add up to 1, leaving out what could not be seen in any result."""
    top = max(logged for logged, _ in rows)
    kept = [(exp(logged - top), values) for logged, values in rows if logged - top > log(_DROP)]
    total = sum(weight for weight, _ in kept)
    return [(weight / total, values) for weight, values in kept]
