"""What the panel gave and the loads took, in pieces of five minutes, out of the readings of the bank's pacer.

load = charge - bank: whatever leaves counts, the monitor's own draw and what nobody told of included. The charge
is the controller's own figure where it gives one, else the panel's power through the controller; the same
share lost there is missing from both sides, so that their difference stays right.
"""

from dataclasses import dataclass

PIECE_S = 300.0
GAP_S = 120.0  # rows further apart than this tell nothing of the time between
FROZEN_S = 120.0  # nothing moves for so long: an instrument that hangs, not a site
CONTROLLER_SHARE = 0.95  # of the panel's power that comes out of a controller; common practice, no source
COUNTER_TRUST_C = 0.15  # counter and samples may differ by this, nameplates an hour; else the samples count
_ABSURD_C = 1.0  # a current over this many nameplates an hour is a fault


@dataclass(frozen=True, slots=True)
class Piece:
    """Means of one piece.

    Attributes:
        at_s, span_s: its end and length, s.
        bank_a: A, positive charges; charge_a: out of the controller, None where nothing tells it.
        floor_a: the least that the loads took, A; under racing clouds it comes out too low; None without charge_a.
        bank_v, top_v: mean and highest voltage of the bank, V; panel_w: W, None when not measured.
        controller_c: temperature by which the charger goes, C, if known.
    """

    at_s: float
    span_s: float
    bank_a: float
    charge_a: float | None
    floor_a: float | None
    bank_v: float | None
    top_v: float | None
    panel_w: float | None
    controller_c: float | None

    @property
    def load_a(self) -> float | None:
        """What left, A."""
        return None if self.charge_a is None else self.charge_a - self.bank_a


class Flows:
    """Adds rows up into pieces."""

    __slots__ = (
        "_absurd_a", "_charge_as", "_charge_s", "_counter_ah", "_floor_a", "_frozen_s", "_last", "_last_s",
        "_net_as", "_panel_s", "_panel_ws", "_span_s", "_start_ah", "_top_v", "_trust_a", "_v_s", "_vs",
    )  # fmt: skip

    def __init__(self, capacity_ah: float) -> None:
        self._absurd_a = _ABSURD_C * capacity_ah
        self._trust_a = COUNTER_TRUST_C * capacity_ah
        self._last_s: float | None = None
        self._last: tuple[float | None, ...] = ()
        self._frozen_s = 0.0
        self._counter_ah: float | None = None
        self._begin()

    def _begin(self) -> None:
        self._span_s = self._net_as = self._panel_ws = self._panel_s = self._charge_as = self._charge_s = 0.0
        self._vs = self._v_s = self._top_v = 0.0
        self._floor_a = 1e9
        self._start_ah = self._counter_ah

    def clear(self) -> None:
        """Forget what was begun: the time between is not known."""
        self._last_s = self._counter_ah = None
        self._frozen_s = 0.0
        self._begin()

    def row(
        self,
        at_s: float,
        bank_v: float | None,
        bank_a: float | None,
        counter_ah: float | None,
        panel_w: float | None,
        charge_a: float | None,
        controller_c: float | None = None,
    ) -> Piece | None:
        """Add a row; returns the piece when one is complete."""
        last_s = self._last_s
        self._last_s = at_s
        if bank_a is None or not -self._absurd_a < bank_a < self._absurd_a:
            return None
        if last_s is None:
            self._counter_ah = self._start_ah = counter_ah
            return None
        dt_s = at_s - last_s
        if not 0.0 < dt_s <= GAP_S:
            self._counter_ah = counter_ah
            self._begin()
            return None
        seen = (bank_v, bank_a, counter_ah, panel_w)
        if seen == self._last:
            self._frozen_s += dt_s
            if self._frozen_s > FROZEN_S:
                self._counter_ah = None
                self._begin()
                return None
        else:
            self._frozen_s = 0.0
            self._last = seen
        self._counter_ah = counter_ah
        self._span_s += dt_s
        self._net_as += bank_a * dt_s
        if panel_w is not None:
            self._panel_ws += panel_w * dt_s
            self._panel_s += dt_s
        if charge_a is not None:
            self._charge_as += charge_a * dt_s
            self._charge_s += dt_s
            took_a = charge_a - bank_a
            if took_a < self._floor_a:
                self._floor_a = took_a
        elif panel_w is not None and bank_v:
            took_a = CONTROLLER_SHARE * panel_w / bank_v - bank_a
            if took_a < self._floor_a:
                self._floor_a = took_a
        if bank_v is not None:
            self._vs += bank_v * dt_s
            self._v_s += dt_s
            if bank_v > self._top_v:
                self._top_v = bank_v
        return self._piece(at_s, controller_c) if self._span_s >= PIECE_S else None

    def _piece(self, at_s: float, controller_c: float | None) -> Piece:
        span_s = self._span_s
        bank_a = self._net_as / span_s
        if self._start_ah is not None and self._counter_ah is not None:
            counted_a = (self._counter_ah - self._start_ah) * 3600.0 / span_s
            if abs(counted_a - bank_a) < self._trust_a:
                bank_a = counted_a
        bank_v = self._vs / self._v_s if self._v_s else None
        panel_w = self._panel_ws / self._panel_s if self._panel_s > 0.5 * span_s else None
        charge_a = None
        if self._charge_s > 0.5 * span_s:
            charge_a = self._charge_as / self._charge_s
        elif panel_w is not None and bank_v:
            charge_a = CONTROLLER_SHARE * panel_w / bank_v
        floor_a = self._floor_a if self._floor_a < 1e9 else None
        top_v = self._top_v if self._v_s else None
        piece = Piece(at_s, span_s, bank_a, charge_a, floor_a, bank_v, top_v, panel_w, controller_c)
        self._begin()
        return piece


def fullness_v(bank_v: float, absorb_v: float, charge_v_per_k: float, charger_c: float | None) -> float:
    """How far the bank is above (or below) its absorption set-point at the charger's temperature, V."""
    shift = 0.0 if charger_c is None else charge_v_per_k * (charger_c - 25.0)
    return bank_v - absorb_v - shift
