"""When a transmitter is keyed, told from a current that is looked at each second or two.

A keying is a step up and a step down again. Where the current is the load's own, or the panel gives
nothing, its height above the quiet level decides; while the sun adds a current of its own, only a
quick step as high as this transmitter's counts, so that no cloud and no slow load is taken for one.
"""

from collections.abc import Mapping

NOTHING, BEGAN, ENDED, LOAD, LOST = range(5)
"""What a row told: nothing, a keying began, one ended, what had begun is a load, its end was not seen."""

_ON, _OFF, _FELL = 0.45, 0.35, 0.6  # of the step: up to keyed, down to quiet, fallen from the keyed level
_LIKE = (0.75, 1.30)  # of the step: what a quick step in the sun, or a long keying, must be like
_PART = 0.15  # of the step: an instrument that averages shows one step as two parts, none smaller
_ODD_S = 120.0  # what is this long at another level than a keying's is a load: judgement
_UNPROVEN_S = 300.0  # a keying begun in the sun whose end is not seen by then is given up: judgement
_BASE_S = 60.0  # how quickly the quiet level follows
_LEVEL_SHARE = 0.3
_NO_STEP_A, _NO_STEP_TIMES = 0.4, 2.0  # without a known step: at least this, and this many times the quiet level
_FIELDS = (
    "base_a", "before_a", "edge_s", "for_s", "from_a", "inner", "inner_a", "keyed", "last_a", "level_a", "rows",
    "step_a", "sure",
)  # fmt: skip


class KeyingWatch:
    """Follows one transmitter.

    Attributes:
        step_a: what keying adds to the draw, A; None while not known.
        base_a: the quiet level, A, known only where the height above it decides.
        keyed, for_s: now, and for how long.
        sure: the present keying was seen by its height, or confirmed.
        edge_s: how long before the row the edge lay that it told of.
    """

    __slots__ = _FIELDS

    def __init__(self, step_a: float | None) -> None:
        """Start with the step the site file lets expect, A; None where it says nothing."""
        self.step_a = step_a
        self.base_a: float | None = None
        self.last_a: float | None = None
        self.before_a: float | None = None
        self.keyed = False
        self.sure = False
        self.for_s = self.edge_s = self.from_a = self.level_a = self.inner_a = 0.0
        self.inner = self.rows = 0

    def step(self, dt_s: float, draw_a: float, absolute: bool) -> int:
        """Fold one row in.

        Args:
            dt_s: since the last row, s.
            draw_a: the current drawn, A, less what the sun adds.
            absolute: the sun adds nothing to it.
        Returns: NOTHING, BEGAN, ENDED, LOAD or LOST.
        """
        last_a, before_a = self.last_a, self.before_a
        self.before_a, self.last_a = last_a, draw_a
        if last_a is None:
            return self._first(draw_a, absolute)
        if self.keyed:
            return self._while_keyed(dt_s, draw_a, last_a, before_a, absolute)
        if not absolute:
            rise_a = self._quick(draw_a, last_a, before_a, self.step_a)
            return self._begin(dt_s, draw_a, draw_a - rise_a, False) if rise_a else NOTHING
        base_a = self.base_a
        if base_a is None:
            self.base_a = base_a = draw_a
        step_a = self.step_a or max(_NO_STEP_A, _NO_STEP_TIMES * base_a)
        rise_a = draw_a - base_a
        if rise_a >= _ON * step_a:
            return self._begin(dt_s, draw_a, base_a, True)
        if rise_a < -_OFF * step_a:
            self.base_a = draw_a
        else:
            self.base_a = base_a + rise_a * min(1.0, dt_s / _BASE_S)
        return NOTHING

    def _first(self, draw_a: float, absolute: bool) -> int:
        """After a gap: a keying goes on if the level is still the same."""
        if self.keyed and abs(draw_a - self.level_a) > _OFF * (self.level_a - self.from_a):
            self.keyed = False
            self.edge_s = 0.0
            return ENDED
        if absolute and self.base_a is None:
            self.base_a = draw_a
        return NOTHING

    @staticmethod
    def _quick(now_a: float, last_a: float, before_a: float | None, step_a: float | None) -> float:
        """How far the current rose within one row or two, if that is like the step; else 0."""
        if step_a is None:
            return 0.0
        low_a, high_a = _LIKE[0] * step_a, _LIKE[1] * step_a
        rise_a = now_a - last_a
        if low_a <= rise_a <= high_a:
            return rise_a
        part_a = _PART * step_a
        if before_a is None or rise_a < part_a or last_a - before_a < part_a:
            return 0.0
        rise_a = now_a - before_a
        return rise_a if low_a <= rise_a <= high_a else 0.0

    def _begin(self, dt_s: float, draw_a: float, from_a: float, sure: bool) -> int:
        self.keyed, self.sure = True, sure
        self.from_a, self.level_a = from_a, draw_a
        self.edge_s = self.for_s = 0.5 * dt_s
        self.inner_a, self.inner, self.rows = 0.0, 0, 1
        return BEGAN

    def _while_keyed(self, dt_s: float, draw_a: float, last_a: float, before_a: float | None, absolute: bool) -> int:
        own_a = self.level_a - self.from_a
        if self._is_over(draw_a, last_a, before_a, own_a, absolute):
            self.keyed = False
            self.edge_s = 0.5 * dt_s
            self.for_s += 0.5 * dt_s
            return ENDED
        step_a = self.step_a or own_a
        odd = not _LIKE[0] * step_a <= own_a <= _LIKE[1] * step_a
        if absolute and draw_a - last_a >= _FELL * step_a and self.rows > 1 and odd:
            return self._was_load(last_a)  # a transmitter was keyed on top of it; the next row begins that keying
        self.for_s += dt_s
        self.rows += 1
        if self.rows == 2:
            self.level_a = draw_a
        else:
            self.level_a += _LEVEL_SHARE * (draw_a - self.level_a)
            self.inner_a += last_a
            self.inner += 1
        if absolute and odd and self.for_s > _ODD_S:
            return self._was_load(self.level_a)
        if not absolute and not self.sure and self.for_s > _UNPROVEN_S:
            self.keyed = False
            return LOST
        return NOTHING

    def _is_over(self, draw_a: float, last_a: float, before_a: float | None, own_a: float, absolute: bool) -> bool:
        if not absolute:
            return self._quick(-draw_a, -last_a, None if before_a is None else -before_a, own_a) > 0.0
        base_a = self.base_a
        return (base_a is not None and draw_a - base_a < _OFF * own_a) or self.level_a - draw_a > _FELL * own_a

    def _was_load(self, level_a: float) -> int:
        self.keyed = False
        self.base_a = level_a
        return LOAD

    def own_step_a(self) -> float | None:
        """What the keying that ended just now added to the draw, A; None when it was too short to tell."""
        return self.inner_a / self.inner - self.from_a if self.inner else None

    def begin_unseen(self, back_s: float) -> None:
        """A keying is under way whose begin was not seen; it is taken to lie `back_s` before now."""
        draw_a = 0.0 if self.last_a is None else self.last_a
        self._begin(2.0 * back_s, draw_a, draw_a - (self.step_a or 0.0), True)
        self.inner = 0

    def end_unseen(self, back_s: float) -> None:
        """The keying is over, though its end was not seen."""
        self.keyed = False
        self.edge_s = min(back_s, self.for_s)
        self.for_s -= self.edge_s

    def pause(self) -> None:
        """Rows were missed: the next one is not compared with the last."""
        self.last_a = self.before_a = None

    def snapshot(self) -> dict[str, object]:
        """Everything needed to go on, as JSON can hold it."""
        return {name: getattr(self, name) for name in _FIELDS}

    def restore(self, saved: Mapping[str, object]) -> None:
        """Take a snapshot back."""
        for name in _FIELDS:
            setattr(self, name, saved[name])
