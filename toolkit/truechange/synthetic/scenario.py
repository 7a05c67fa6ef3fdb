"""The invented clinic: every number that the synthetic data are drawn from."""

from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True)
class TestModel:
    """How one test behaves in the invented clinic; on the log scale where `ratio` is true.

    Parameters
    ----------
    key : str
        Key of the test in the catalogue.
    centre, spread : float
        Mean (median where `ratio`) and SD of the true baseline; the SD is a log SD where `ratio`.
    gain, gain_spread : float
        Mean and SD of the true improvement of programme people; proportional where `ratio`.
    error : float
        Error SD of one scored trial, both days and trials in it (a coefficient of variation where `ratio`), before
        rounding to the test's resolution.
    ratio : bool
        Whether change and error grow with the score.
    shared : float
        Correlation of the true baselines and of the true changes with what the tests have in common.
    """

    key: str
    centre: float
    spread: float
    gain: float
    gain_spread: float
    error: float
    ratio: bool = True
    shared: float = 0.7


TESTS = (
    # 0.958: with the variance of rounding to whole stands (1/12) the standard error of measurement is 1.0 stand
    TestModel(
        key="chair_stand_30s", centre=11.0, spread=2.8, gain=2.5, gain_spread=2.0, error=0.958, ratio=False, shared=1.0
    ),
    TestModel(key="sit_to_stand_5", centre=13.5, spread=0.24, gain=0.12, gain_spread=0.12, error=0.06),
    TestModel(key="timed_up_and_go", centre=10.4, spread=0.19, gain=0.10, gain_spread=0.10, error=0.055),
    TestModel(key="walk_40m_fast", centre=1.45, spread=0.17, gain=0.07, gain_spread=0.07, error=0.04),
    TestModel(key="stair_climb", centre=11.5, spread=0.26, gain=0.11, gain_spread=0.12, error=0.06),
    TestModel(key="pain_0_10", centre=5.3, spread=1.6, gain=1.4, gain_spread=1.4, error=0.7, ratio=False, shared=0.4),
)


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """The clinic, its programme, its people and its habits.

    Parameters
    ----------
    tests : tuple of TestModel
        The tests; the first is the one the ratings are about.
    mcid : float
        Mean of the people's own smallest important improvement in the first test, in its unit.
    mcid_spread : float
        SD of that between people.
    anchor_reliability : float
        Squared correlation between the rating's underlying scale and the true change.
    rating_steps : tuple of float
        Distances from the MCID at which the rating moves on by one, upwards from 0 to 1.
    rating_falls : tuple of float
        True changes at which the rating moves down by one, from 0 to -1.
    baseline_pull : float
        Correlation of the true change with the true baseline.
    dose_share : float
        Correlation of the true change with adherence.
    waiting_gain, waiting_spread : float
        Mean and SD of the waiting list's true change, as shares of the programme's.
    learning : tuple of float
        Gain of the 1st, 2nd ... attempt at a test over the first, in error SDs. In the clinic the first attempt is a
        practice trial; in the retest study it is scored.
    day_share : float
        Share of the error variance that belongs to the day rather than to the trial.
    stop_rate : float
        Expected share of programme people who stop early.
    stop_slope : float
        Change of the log odds of stopping per SD of true change: less gain, more stopping.
    site_gap : float
        True change in the first test, North minus South, in its unit.
    therapist_spread : float
        SD between therapists of the true change in the first test, in its unit.
    weeks, planned_sessions : int
        Length of the programme; training days planned in it.
    seat_cm, raised_seat_cm : float
        Seat of the chair-stand tests, and the seat used by mistake at a few follow-ups.
    raised_seat_gain : float
        What the raised seat adds, in error SDs.
    """

    tests: tuple[TestModel, ...] = field(default=TESTS)
    mcid: float = 2.0
    mcid_spread: float = 0.6
    anchor_reliability: float = 0.6
    rating_steps: tuple[float, ...] = (0.0, 1.2, 2.6, 4.0, 5.4)
    rating_falls: tuple[float, ...] = (-0.8, -2.0, -3.2, -4.4, -5.6)
    baseline_pull: float = -0.2
    dose_share: float = 0.35
    waiting_gain: float = 0.12
    waiting_spread: float = 0.35
    learning: tuple[float, ...] = (0.0, 0.5, 0.65, 0.7)
    day_share: float = 0.5
    stop_rate: float = 0.11
    stop_slope: float = -0.5
    site_gap: float = 0.4
    therapist_spread: float = 0.25
    weeks: int = 12
    planned_sessions: int = 60
    seat_cm: float = 44.0
    raised_seat_cm: float = 48.0
    raised_seat_gain: float = 1.0
