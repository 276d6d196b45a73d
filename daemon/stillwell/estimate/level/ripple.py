"""How the share of time during which a float is closed tells the level: the surface ripples.

The ripple is taken as an Ornstein–Uhlenbeck process (Gaussian, standard deviation s, forgetting
time tau). The float closes when the surface passes its upper threshold upward and opens when it
passes the lower one downward, the differential d apart. The mean times from one threshold to the
other follow from the first-passage formula of that process (Siegert, Phys. Rev. 81 (1951) 617; from
memory)::

    closed  T1 = tau sqrt(2 pi) ∫ (1 - Phi(u)) exp(u²/2) du     over u = lower/s … upper/s
    open    T0 = tau sqrt(2 pi) ∫      Phi(u)  exp(u²/2) du     (thresholds from the mean level)

and a renewal argument gives the long-run share closed, T1 / (T0 + T1). For d → 0 it tends to
Phi((level - height) / s). The rate at which the float forgets which state it was in is 1/T0 + 1/T1:
where the differential is large against the ripple it never does within a slice, and the share of a
slice then hangs on the state before it. Both regimes and all between are one formula here.

How many looks count as independent follows from how long the float remembers: the ripple's own
time and that of the float, joined as the root of their squares. Either is right where it prevails;
between them simulation shows somewhat less unrest of the share than that, never more."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from functools import lru_cache

_REACH = 12.0
_STEP = 0.05
_COUNT = round(2 * _REACH / _STEP) + 1
_INSTANT = 1e9
"""Forgetting rate of a float without differential, per second: it has no memory of its own."""
_LOG_SQRT_2PI = 0.5 * math.log(2 * math.pi)
_LOG_4 = math.log(4.0)
_NUDGE = 0.05
_WRONG = 0.1
_BARE = 20
"""The largest share of a slice's looks that may be wrong, because contacts chatter near their
closing point and a feeding pause lifts the water for some minutes, and the most looks in a slice
that this is allowed for: of a float that is read as a bare 0 or 1 a single look weighs much, while
the shares of hundreds of looks tell the level by their ends too (our own choice, on simulated
households)."""
_THRESHOLD_MEMORY = math.log(2.0)
"""Integrated autocorrelation time of ``OU > mean`` over that of the process's own forgetting time:
∫ (2/pi) arcsin(exp(-t)) dt = ln 2."""


def log_upper(u: float) -> float:
    """Returns ln(1 - Phi(u)), accurate in both tails."""
    if u < 6.0:
        return math.log(0.5 * math.erfc(u / math.sqrt(2.0)))
    s = 1.0 / (u * u)
    return -0.5 * u * u - _LOG_SQRT_2PI - math.log(u) + math.log1p(-s * (1 - 3 * s * (1 - 5 * s)))


def _log_integral(low: float, high: float) -> float:
    """Returns ln of ∫ (1-Phi) exp(u²/2) du over [low, high], by Simpson's rule; with Phi for 1 -
    Phi it is that over [-high, -low]."""
    n = 2 * max(8, math.ceil((high - low) / 0.1))
    width = (high - low) / n
    terms: list[float] = []
    for i in range(n + 1):
        u = low + i * width
        w = math.log(1 if i in (0, n) else 4 if i % 2 else 2)
        terms.append(w + log_upper(u) + 0.5 * u * u)
    return math.log(width / 3) + _log_sum(terms)


def _log_times(half: float) -> list[float]:
    """Returns ln of the integral between thresholds `half` above and below, at every w of the
    grid: from one w to the next a cell is gained at the lower end and one lost at the upper."""
    at = _log_integral(_REACH - half, _REACH + half)
    out = [at]
    for i in range(1, _COUNT):
        w = -_REACH + i * _STEP
        gained, lost = _log_cell(-w - half), _log_cell(-w + half)
        at += math.log1p(math.exp(gained - at) - math.exp(lost - at))
        out.append(at)
    return out


def _log_cell(low: float) -> float:
    """Returns ln of the integral over one step of the grid."""
    points = (low, low + 0.5 * _STEP, low + _STEP)
    terms = [log_upper(u) + 0.5 * u * u for u in points]
    terms[1] += _LOG_4
    return math.log(_STEP / 6.0) + _log_sum(terms)


def _log_sum(terms: list[float]) -> float:
    top = max(terms)
    return top + math.log(sum(math.exp(t - top) for t in terms))


def _log_steepness(half: float) -> float:
    """Returns ln of how fast the log-odds of "closed" rise with w at the middle of the
    thresholds."""
    closed = _log_integral(-_NUDGE - half, -_NUDGE + half)
    opened = _log_integral(_NUDGE - half, _NUDGE + half)
    return math.log((closed - opened) / _NUDGE)


def _stretch(half: float) -> float:
    """Returns d ln(width of the law in mm) / d ln(ripple): 1 for a float without differential.
    Where the differential is large compared with the ripple, the width goes with the ripple's
    square."""
    if half < 0.02:
        return 1.0
    up, down = _log_steepness(half * (1 + _NUDGE)), _log_steepness(half * (1 - _NUDGE))
    return 1.0 + (up - down) / (2.0 * _NUDGE)


@dataclass(frozen=True, slots=True)
class Told:
    """One slice of one float, condensed."""

    share: float
    looks: float
    seconds: float
    before: int | None
    """The state in which the slice began, where known: 1 closed, 0 open."""


def _wrong(looks: float) -> float:
    """Returns the share of so many looks that may be wrong."""
    return _WRONG if looks <= _BARE else 0.0


def throughout(told: Told) -> int | None:
    """Returns the state in which a float was all the time but for looks that may be wrong: 1
    closed, 0 open; None where it was in neither."""
    if told.share >= 1.0 - (wrong := _wrong(told.looks)):
        return 1
    return 0 if told.share <= wrong else None


class Occupancy:
    """The law of a float's share closed, as a function of w = (level - middle of the thresholds) /
    ripple."""

    def __init__(self, differential_mm: float, ripple_mm: float, tau_s: float) -> None:
        half = 0.5 * differential_mm / ripple_mm
        self._tau_s = tau_s
        self.stretch = _stretch(half)
        """How its width in mm depends on the ripple: see `_stretch`."""
        self._log_closed: list[float] = []
        self._log_open: list[float] = []
        self._forget: list[float] = []
        if half < 0.02:
            grid = [-_REACH + i * _STEP for i in range(_COUNT)]
            self._log_closed = [log_upper(-w) for w in grid]
            self._log_open = [log_upper(w) for w in grid]
            self._forget = [_INSTANT] * _COUNT
            return
        times = _log_times(half)
        for t1, t0 in zip(times, reversed(times), strict=True):
            both = _log_sum([t1, t0])
            self._log_closed.append(t1 - both)
            self._log_open.append(t0 - both)
            # 1/T0 + 1/T1 = (T0 + T1) / (T0 T1)
            self._forget.append(math.exp(min(20.0, both - t0 - t1 - _LOG_SQRT_2PI)) / tau_s)

    def share(self, w: float) -> float:
        """Returns the long-run share of time closed."""
        at = (min(max(w, -_REACH), _REACH) + _REACH) / _STEP
        i = min(int(at), _COUNT - 2)
        low, high = self._log_closed[i], self._log_closed[i + 1]
        return math.exp(low + (at - i) * (high - low))

    def log_likelihood(self, w: float, told: Told) -> float:
        """Returns the log-likelihood of a slice's share at w, up to a constant: 0 where it is as
        expected."""
        return _read(_curve(self, told), w, 0.0, 0)[0]

    def log_likelihoods(self, told: Told) -> array[float]:
        """Returns the log-likelihood over the whole reach, at every w of the grid.

        Quasi-binomial with the number of effectively independent looks: exp(-n KL(share ||
        expected)). Of bare looks the expected share is the nearest to the one seen that up to
        `_WRONG` of them being wrong can make of it. The wrong ones never turn most looks into their
        opposite: that is a stuck float, or another level."""
        s, seconds, looks = told.share, told.seconds, told.looks
        before = told.before if self._forget[0] < _INSTANT else None
        own_memory, may_be_wrong = _THRESHOLD_MEMORY * self._tau_s, _wrong(looks)
        entropy = sum(part * math.log(part) for part in (s, 1.0 - s) if part > 0.0)
        spread = seconds / (2.0 * looks)
        counted = max(1.0, looks * math.tanh(spread / own_memory))
        out = array("d")
        exp, log, tanh, hypot = math.exp, math.log, math.tanh, math.hypot
        tables = zip(self._log_closed, self._log_open, self._forget, strict=True)
        for log_p, log_q, rate in tables:
            if rate < _INSTANT:
                counted = max(1.0, looks * tanh(spread / hypot(own_memory, 1.0 / rate)))
                if before is not None:
                    turns = rate * seconds
                    kept = (1.0 - exp(-turns)) / turns if turns > 1e-9 else 1.0
                    if kept > 1e-6:
                        # expected share of the state before = p + (1 - p) kept
                        if before:
                            log_p = log(exp(log_p) * (1 - kept) + kept)  # noqa: PLW2901
                            log_q += log(max(1e-300, 1 - kept))  # noqa: PLW2901
                        else:
                            log_q = log(exp(log_q) * (1 - kept) + kept)  # noqa: PLW2901
                            log_p += log(max(1e-300, 1 - kept))  # noqa: PLW2901
            p = exp(log_p)
            if may_be_wrong and (p < s <= 0.5 or 0.5 <= s < min(p, 1.0)):
                wrong = p + may_be_wrong * (1.0 - 2.0 * p)
                p = min(s, wrong) if p < s else max(s, wrong)
                log_p, log_q = log(p), log(1.0 - p)  # noqa: PLW2901
            out.append(counted * (s * log_p + (1.0 - s) * log_q - entropy))
        return out


@lru_cache(maxsize=256)
def _curve(law: Occupancy, told: Told) -> array[float]:
    """Returns the log-likelihood of a share over the whole reach: all members look at it, and each
    passage through the ledger does so again."""
    return law.log_likelihoods(told)


def _read(curve: array[float], low: float, step: float, n: int) -> list[float]:
    out: list[float] = []
    at, by, last = (low + _REACH) / _STEP, step / _STEP, _COUNT - 1.0
    for _ in range(n + 1):
        if at <= 0.0:
            out.append(curve[0])
        elif at >= last:
            out.append(curve[-1])
        else:
            i = int(at)
            out.append(curve[i] + (at - i) * (curve[i + 1] - curve[i]))
        at += by
    return out


def certain(law: Occupancy, low: float, high: float, told: Told) -> bool:
    """Whether a float that was closed, or open, throughout says nothing new about a w between
    `low` and `high`."""
    state = throughout(told)
    if state is None:
        return False
    edge = _edges(law, told)[1]
    return low >= edge if state else high <= edge


def half_way(law: Occupancy, told: Told) -> float:
    """Returns the w at which a float is half as probably closed, or open, throughout as far away
    from it."""
    return _edges(law, told)[0]


@lru_cache(maxsize=1024)
def _edges(law: Occupancy, told: Told) -> tuple[float, float]:
    """Returns the w at which a float is half as probably closed, or open, throughout as at best,
    and the w at which that is certain but for a thousandth."""
    curve = _curve(law, told)
    down = throughout(told) == 1
    found: list[float] = []
    for limit in (-math.log(2.0), -1e-3):
        # from the certain end on
        places = range(_COUNT - 1, -1, -1) if down else range(_COUNT)
        at = next((i for i in places if curve[i] < limit), 0 if down else _COUNT - 1)
        found.append(-_REACH + _STEP * (at + (1 if down else -1)))
    return found[0], found[1]


@lru_cache(maxsize=256)
def occupancy(differential_mm: float, ripple_mm: float, tau_s: float) -> Occupancy:
    """Returns the law of such a float; floats that are alike share one."""
    return Occupancy(differential_mm, ripple_mm, tau_s)


@lru_cache(maxsize=256)
def peak(law: Occupancy, told: Told) -> tuple[float, float]:
    """Returns where the likelihood of an in-between share is largest, and its width there
    (standard deviation)."""
    curve = _curve(law, told)
    highest = max(curve) - 1e-9
    level = [i for i in range(_COUNT) if curve[i] > highest]
    best = level[len(level) // 2]
    top, width = -_REACH + _STEP * best, _STEP
    while width < 4.0:
        drop = curve[best] - 0.5 * sum(_read(curve, top - width, 2.0 * width, 1))
        if drop > 0.3:
            return top, width / math.sqrt(2.0 * drop)
        width *= 1.5
    return top, width


def posterior_moments(
    mean: float, variance: float, told: Told, law: Occupancy
) -> tuple[float, float, float, float]:
    """Moments of w after one slice, by quadrature on a grid around where prior and likelihood meet.
    Exact for any shape; no mode is assumed.

    Returns:
        (probability of the slice relative to the best possible level, the same had the best
        possible level been predicted, posterior mean, posterior variance)."""
    sd = math.sqrt(variance)
    best, curve = 1.0, _curve(law, told)
    if throughout(told) is None:
        top, width = peak(law, told)
        best = width / math.sqrt(width * width + variance)
        together = sd * best
        centre = (mean * width * width + top * variance) / (width * width + variance)
        low, high, n = centre - 10.0 * together, centre + 10.0 * together, 120
    else:
        low, high, n = mean - 6.0 * sd, mean + 6.0 * sd, min(96, max(24, math.ceil(20.0 * sd)))
    for _ in range(8):
        step = (high - low) / n
        logs = _read(curve, low, step, n)
        z, dz = (low - mean) / sd, step / sd
        for i in range(n + 1):
            logs[i] -= 0.5 * z * z
            z += dz
        ceiling = max(logs)
        if max(logs[0], logs[-1]) > ceiling - 12.0:
            # prior and likelihood disagree so much that they meet outside
            if logs[0] > logs[-1]:
                low -= 6.0 * sd
            else:
                high += 6.0 * sd
            n += 24
            continue
        heavy = [i for i, value in enumerate(logs) if value > ceiling - 18.0]
        first, last = max(0, heavy[0] - 1), min(n, heavy[-1] + 1)
        if last - first >= 24:
            break
        low, high, n = low + first * step, low + last * step, 40
    weights = [math.exp(value - ceiling) for value in logs]
    total = sum(weights)
    m = sum(weight * (low + i * step) for i, weight in enumerate(weights)) / total
    v = sum(weight * (low + i * step - m) ** 2 for i, weight in enumerate(weights)) / total
    evidence = total * step / sd * math.exp(ceiling - _LOG_SQRT_2PI)
    return evidence, best, m, max(v, 1e-12)
