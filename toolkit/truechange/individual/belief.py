"""What may be believed of a true change: a mixture of normal curves, asked for probabilities and limits."""

from dataclasses import dataclass
from math import exp, hypot, pi, sqrt

from truechange.foundation.distributions import normal_below, normal_quantile

Part = tuple[float, float, float]  # weight, mean, standard deviation


@dataclass(frozen=True, slots=True)
class Belief:
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
