"""The trail of one channel: where it was, how fast it moved of late, how far it has left that.

A probe that settles moves on ever more slowly: it stays between standing still and going on at the
rate it had. What leaves that range by more than stirring can do has met something new. Pure,
bounded memory.
"""

from __future__ import annotations

from math import inf

from acquire.readings import Channel

__all__ = ["SURE", "Trail"]

SURE = 4.0
"""Points of a departure that nothing but another water makes."""
BLOCK_S = 3.0
"""Readings are summed up by their median over this time: one spike does not move it."""
FADE_S = 20.0
"""Time constant with which the rate of late is forgotten."""
SOON_S = 20.0
"""A step is there within this time; what takes longer is an exchange or a drift."""
TAIL_S = 60.0
"""Time constant up to which that rate may go on."""
MOST = 24
"""Readings a block keeps."""

# One point is what stirring, a bubble or a warm hand may do to a channel; then the most points the
# channel can bring short of SURE. Streaming potentials shift pH by 0.05 to 0.1, ORP moves by 5 to
# 10 mV, a bubble takes some per cent of the conductivity (common practice, no source).
_SCALE = {"ph": (0.1, 3.0), "orp": (8.0, 2.0), "temperature": (0.4, 3.0)}
_IONIC = {"conductivity", "tds"}
_IONIC_PART = 0.03
_SURE_RATIO = 1.5
_LARGE_ORP = 5.0  # scales: 40 mV, as between tap water and the same through carbon
_ALONE = 3.0
_SURE_WARMING = 2.5  # °C within seconds
# Bends to look for: seconds between readings, and the least that is no noise.
_WANDER = {
    "ph": ((0.8, 0.03), (3.0, 0.04)),
    "orp": ((0.8, 3.0), (3.0, 4.0)),
    "temperature": ((3.0, 0.2),),
}


class _Bend:
    """How often a channel turns or speeds up between readings a given time apart.

    On its way to rest it does neither by more than noise; an open input that wanders does so at
    three steps in four (a random walk turns at one in two and speeds up at one in four).
    """

    __slots__ = ("_limit", "_share", "_spacing", "_step", "_t", "_x", "last_s", "seen", "share")

    def __init__(self, spacing: float, limit: float) -> None:
        self._spacing = spacing
        self._limit = limit
        self._share = 0.2 if spacing < 1.0 else 0.3
        self.seen = 0
        self.share = 0.0
        self.last_s = -inf
        self._t = self._x = self._step = 0.0

    def update(self, t: float, x: float) -> float:
        """Take a value in when it is due; give the time at which the next one is."""
        after = t - self._t
        if self.seen and after < self._spacing:
            return self._t + self._spacing
        rate = (x - self._x) / after if self.seen else 0.0
        if self.seen > 1:
            low, high = (self._step, 0.0) if self._step < 0.0 else (0.0, self._step)
            slack = self._limit / after
            bent = not low - slack <= rate <= high + slack
            self.share += self._share * (bent - self.share)
            if bent:
                self.last_s = self._t
        self.seen += 1
        self._t, self._x, self._step = t, x, rate
        return t + self._spacing


class Trail:
    """Follows one channel; `points` says how far the last reading has left what went before."""

    __slots__ = (
        "_above",
        "_before",
        "_bend_due",
        "_bends",
        "_block",
        "_block_end",
        "_block_t",
        "_cap",
        "_ionic",
        "_last",
        "_near",
        "_off_s",
        "_part",
        "_scale",
        "_sure",
        "anchor",
        "anchor_t",
        "noise",
        "points",
        "quantity",
        "rate",
        "resolution",
        "slack",
        "t",
        "x",
    )

    def __init__(self, channel: Channel) -> None:
        name = channel.quantity
        self.quantity = name
        self.resolution = channel.resolution if channel.resolution > 0.0 else 1e-9
        self._ionic = name in _IONIC
        known = name in _SCALE
        least, self._cap = _SCALE.get(name, (0.0, 3.0 if self._ionic else 2.0))
        self._scale = max(least, (2.0 if self._ionic or known else 5.0) * self.resolution)
        self._part = _IONIC_PART if self._ionic else 0.0 if known else 0.1
        self._bends = [_Bend(spacing, limit) for spacing, limit in _WANDER.get(name, ())]
        self.slack = 1.0
        """Times the scale: above 1 in water of low conductivity, where everything is livelier."""
        self.noise = self.resolution
        self.t = self.x = 0.0
        self._before = 0.0
        self._bend_due = -inf
        self._block: list[float] = []
        self.restart()

    def restart(self) -> None:
        """Forget where the channel was; what is known of its noise and wander stays."""
        self.anchor = self.anchor_t = 0.0
        self._near = 0.5 * self._scale  # half a point
        self._off_s = inf  # since when there are points, on this side
        self._above = False
        self._sure = False
        self.rate = -1.0  # below zero: not known yet, and there is no anchor
        self.points = 0.0
        self._last: tuple[float, float, float] | None = None
        self.forget_block()

    def forget_block(self) -> None:
        """Drop readings not summed up yet: they belong to something that passed."""
        self._block.clear()
        self._block_t = self._block_end = -inf

    @property
    def floating(self) -> float:
        """0 for a quiet electrode, towards 1 for an open input that wanders."""
        return max((bend.share for bend in self._bends), default=0.0)

    @property
    def bent_s(self) -> float:
        """Time of the last turn that an electrode on its way to rest does not make."""
        return max((bend.last_s for bend in self._bends), default=-inf)

    @property
    def heard(self) -> bool:
        """Whether `floating` means something yet."""
        return all(bend.seen > 3 for bend in self._bends)

    def update(self, t: float, x: float, *, held: bool) -> None:
        """Take a reading in; while `held`, the trail stays as it was before."""
        before, last = self._before, self.x
        step = x - last if x > last else last - x
        noise = self.noise
        most = 4.0 * noise + self.resolution
        self.noise = noise + 0.05 * (0.9 * min(step, most) - noise)
        self.t, self.x, self._before = t, x, last
        block = self._block
        if t - self._block_t >= BLOCK_S:
            if block and not held:
                self._sum_up()
            block.clear()
            self._block_t = t
        if len(block) < MOST:
            block.append(x)
        self._block_end = t
        if self._bends and t >= self._bend_due:
            middle = sorted((before, last, x))[1]  # of three: no spike gets through
            due = inf
            for bend in self._bends:
                due = min(bend.update(t, middle), due)
            self._bend_due = due
        if self.rate >= 0.0:
            away = x - self.anchor
            if -self._near < away < self._near:
                self.points = 0.0
                self._off_s = inf
            else:
                self._measure(t, x)

    def _measure(self, t: float, x: float) -> None:
        """Set `points`: the distance beyond what the rate of late explains, in scales."""
        after = t - self.anchor_t
        left = abs(x - self.anchor) - self.rate * after * TAIL_S / (after + TAIL_S)
        scale = max(2.0 * self._near * self.slack, 4.0 * self.noise)
        points = left / scale
        if points < 0.5:
            self._off_s = inf
        elif self._off_s == inf or self._above != (x > self.anchor):
            self._off_s = t
            self._above = x > self.anchor
        if points >= self._cap:
            points = self._beyond(points, left, x, soon=t - self._off_s <= SOON_S)
        self.points = points

    def _beyond(self, points: float, left: float, x: float, *, soon: bool) -> float:
        """Give what a departure beyond the usual most is worth: more when it came `soon`."""
        if not (soon or self._sure):
            return self._cap
        sure = False
        if self._ionic:
            low, high = sorted((abs(self.anchor), abs(x)))
            sure = high >= _SURE_RATIO * low and high - low >= 10.0 * self.resolution
        elif self.quantity == "temperature":
            sure = left >= _SURE_WARMING
        elif self.quantity == "orp" and points >= _LARGE_ORP:
            return _ALONE
        self._sure = sure
        return SURE if sure else self._cap

    def _sum_up(self) -> None:
        """Move the trail on by one block; the anchor stays one block behind the latest."""
        block = sorted(self._block)
        t = 0.5 * (self._block_t + self._block_end)
        x = block[len(block) // 2]
        if self._last is None:
            self._last = (t, x, -1.0)
            return
        t1, x1, rate = self._last
        between = t - t1
        self.anchor, self.anchor_t, self._sure = x1, t1, False
        self._near = 0.5 * (self._scale + self._part * abs(x1))
        if rate >= 0.0:
            faded = self.rate * FADE_S / (between + FADE_S)
            # two equal digits bound the rate by a step over their distance, and no more
            self.rate = max(faded, rate, 0.5 * self.resolution / between)
        self._last = (t, x, abs(x - x1) / between)
