"""The virtual instruments: what they make of the truth, by gain, offset, noise and resolution."""

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Channel:
    """How one quantity is shown: shown = round((true * (1 + gain) + offset + noise) / step) * step."""

    step: float
    offset: float = 0.0
    gain: float = 0.0
    noise: float = 0.0

    def show(self, true: float, chance: Random) -> float:
        """Show a true value once; `noise` is the standard deviation of a normal error."""
        value = true * (1.0 + self.gain) + self.offset
        if self.noise:
            value += chance.gauss(0.0, self.noise)
        return round(value / self.step) * self.step


class ShuntCounter:
    """A shunt's own charge counter: sums the current as the shunt sees it, gain and offset included."""

    def __init__(self, channel: Channel, *, step_ah: float = 0.001) -> None:
        self.ah = 0.0
        self._gain = 1.0 + channel.gain
        self._offset_a = channel.offset
        self._step_ah = step_ah

    def add(self, bank_a: float, dt_s: float) -> None:
        """Fold in a steady true current over `dt_s`."""
        self.ah += (bank_a * self._gain + self._offset_a) * dt_s / 3600.0

    def reset(self) -> None:
        """Start again at 0, as after a loss of the shunt's own supply."""
        self.ah = 0.0

    def shown(self) -> float:
        """The count as reported, Ah."""
        return round(self.ah / self._step_ah) * self._step_ah


SHUNT: Mapping[str, Channel] = MappingProxyType(
    {
        "bank_v": Channel(0.001, offset=0.006, noise=0.002),
        "bank_a": Channel(0.001, offset=-0.007, gain=0.004, noise=0.003),
        "bank_c": Channel(0.1, offset=0.4),
    }
)
CONTROLLER: Mapping[str, Channel] = MappingProxyType(
    {
        "bank_v": Channel(0.01, offset=-0.02, noise=0.004),
        "charge_a": Channel(0.01, gain=-0.008, noise=0.004),
        "load_a": Channel(0.01, gain=0.01, noise=0.004),
        "panel_v": Channel(0.01, noise=0.02),
        "panel_a": Channel(0.01, gain=-0.008, noise=0.003),
        "panel_w": Channel(0.01, gain=-0.008, noise=0.01),
        "controller_c": Channel(0.1, offset=-0.3, noise=0.05),
        "enclosure_c": Channel(0.1, offset=0.2, noise=0.05),
    }
)
