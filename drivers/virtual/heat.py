"""The virtual heat: air in the enclosure, controller and bank, each one lump that follows the others."""

from math import exp

# Heat capacities J/K and conductances W/K of a small steel box; judged by size and weight, no source.
_BOX_J_K, _BOX_W_K = 9_000.0, 2.2
_BANK_J_K, _BANK_W_K = 7_000.0, 1.0
_CONTROLLER_J_K, _CONTROLLER_W_K = 500.0, 0.45
_SUN_M2 = 0.05  # of sunlight the box soaks up


class VirtualHeat:
    """Temperatures of one closed enclosure, C."""

    def __init__(self, air_c: float) -> None:
        self.enclosure_c = air_c
        self.controller_c = air_c
        self.bank_c = air_c

    def step(
        self, dt_s: float, *, air_c: float, sun_w_m2: float, box_w: float, controller_w: float, vent: float = 1.0
    ) -> None:
        """Go on for `dt_s` (s).

        Args:
            air_c: outside, C.
            sun_w_m2: on the box, W/m2.
            box_w: heat let go in the box by radio and computer, W.
            controller_w: heat let go in the controller, W.
            vent: how well the box sheds heat against the usual, above 0.
        """
        out_w_k = _BOX_W_K * vent
        gain_w = box_w + controller_w + sun_w_m2 * _SUN_M2
        self.enclosure_c = _towards(self.enclosure_c, air_c + gain_w / out_w_k, dt_s * out_w_k / _BOX_J_K)
        own_c = self.enclosure_c + controller_w / _CONTROLLER_W_K
        self.controller_c = _towards(self.controller_c, own_c, dt_s * _CONTROLLER_W_K / _CONTROLLER_J_K)
        self.bank_c = _towards(self.bank_c, self.enclosure_c, dt_s * _BANK_W_K / _BANK_J_K)


def _towards(from_c: float, to_c: float, share: float) -> float:
    return to_c + (from_c - to_c) * exp(-share)
