"""Make the five-day slice `five-days.csv.gz`: an invented site with known truth, for CI.

    python tests/truth/made_slice.py [OUT.csv.gz]

Written for this test alone; no code and no model is shared with the estimator, and no reading of a real
bank is in it. The bank is a store in two wells (the kinetic battery model, J. F. Manwell and
J. G. McGowan 1993, from memory) whose terminal sees the near well, so that the rest voltage recovers
and surface charge fades by itself. An arcsinh overvoltage stands for either direction, and its exchange
current dies with what is missing, which makes the acceptance. Gassing runs beside charging. The bank
has lost a tenth of its nameplate; voltmeter, shunt and thermometers have errors; a gap, a counter
reset, frozen rows and three spikes are put in. Rows are 20 s apart, computed at 1 s. Only the standard
library is used, so the same seed gives the same file on every machine that rounds alike.
"""

import csv
import gzip
import io
import json
import math
import random
import sys
from pathlib import Path

SEED = 417
DAYS = 5
ROW_S = 20
START_UTC_S = 1_762_300_800  # an invented November
NAMEPLATE_AH, CAPACITY_AH = 24.0, 21.6
START_SOC = 0.72
NEAR_SHARE, FLOW_PER_H = 0.35, 1.3  # the near well's share of the charge, and how fast the wells even out
ABSORB_V, FLOAT_V, SLOPE_V_PER_K, ABSORB_S = 14.4, 13.7, -0.024, 9000
V_ERROR, A_GAIN, A_ERROR, BANK_C_ERROR, CONTROLLER_C_ERROR = -0.012, 1.004, 0.009, 0.5, -0.6
CLOUDS = (0.55, 0.9, 0.25, 0.8, 0.7)  # share of a clear day's sun, day by day
GAP_S, RESET_S, FROZEN_S = (201_000, 208_200), (266_400, 266_460), (330_000, 332_000)
SPIKES = ((95_000, "bank_v", 32.767), (150_020, "bank_a", -32.768), (290_000, "bank_c", -127.0))
HEAD = (
    "time_s", "bank_v", "bank_a", "bank_ah_counter", "bank_c", "panel_v", "panel_a", "panel_w", "controller_c",
    "enclosure_c", "true_soc", "true_capacity_ah",
)  # fmt: skip


class TwoWells:
    """The invented bank: Ah in a near and a far well, terminal voltage by solving for the current."""

    def __init__(self) -> None:
        self.near_ah = NEAR_SHARE * START_SOC * CAPACITY_AH
        self.far_ah = (1.0 - NEAR_SHARE) * START_SOC * CAPACITY_AH

    def soc(self) -> float:
        return (self.near_ah + self.far_ah) / CAPACITY_AH

    def rest_v(self, bank_c: float) -> float:
        """Terminal at no current: acid of the near well, 12.80 V full and 12.24 V at half."""
        missing_ah = CAPACITY_AH - (0.75 * self.soc() + 0.25 * self.near_ah / (NEAR_SHARE * CAPACITY_AH)) * CAPACITY_AH
        return 12.80 - 0.0505 * missing_ah - 0.0004 * math.pow(missing_ah, 1.3) + 0.0013 * (bank_c - 25.0)

    def exchange_a(self, charging: bool) -> float:
        """Exchange current of six cells, A: for charging it dies with the sulfate that is left."""
        missing = max(1e-4, 1.0 - 0.5 * self.soc() - 0.5 * self.near_ah / (NEAR_SHARE * CAPACITY_AH))
        return 0.13 * math.pow(missing, 0.9) if charging else 1.9

    def terminal_v(self, bank_a: float, bank_c: float) -> float:
        """Voltage at this current, V: lead and plates' ohms, and an arcsinh overvoltage."""
        kinetic_v = 0.19 if bank_a > 0.0 else 0.055
        over_v = kinetic_v * math.asinh(bank_a / (2.0 * self.exchange_a(bank_a > 0.0)))
        return self.rest_v(bank_c) + 0.014 * bank_a + 2.2 * over_v

    def current_at(self, volts: float, bank_c: float, most_a: float) -> float:
        """Charge current at this voltage by halving, A, not over most_a."""
        low, high = 0.0, most_a
        for _ in range(24):
            middle = (low + high) / 2.0
            if self.terminal_v(middle, bank_c) < volts:
                low = middle
            else:
                high = middle
        return low

    def advance(self, bank_a: float, volts: float, bank_c: float, dt_s: float) -> None:
        """One step: wells even out, gas takes its share."""
        hours = dt_s / 3600.0
        gas_a = 0.004 * math.pow(10.0, (volts - 13.5) / 1.3) * math.pow(1.9, (bank_c - 25.0) / 10.0)
        head = self.far_ah / (1.0 - NEAR_SHARE) - self.near_ah / NEAR_SHARE
        flow_ah = FLOW_PER_H * NEAR_SHARE * (1.0 - NEAR_SHARE) * head * hours
        self.near_ah += (bank_a - gas_a) * hours + flow_ah
        self.far_ah -= flow_ah


class Charger:
    """Absorption until its time is over, then float, anew each morning."""

    def __init__(self) -> None:
        self.held_s = 0.0

    def set_point_v(self, controller_c: float) -> float:
        volts = FLOAT_V if self.held_s > ABSORB_S else ABSORB_V
        return volts + SLOPE_V_PER_K * (controller_c - 25.0)


def sun_share(second: int) -> float:
    """Share of the panel's 30 W, 0..1."""
    hour = second / 3600.0 % 24.0
    clear = math.sin(math.pi * (hour - 7.0) / 10.0) if 7.0 < hour < 17.0 else 0.0
    return clear * CLOUDS[min(second // 86400, DAYS - 1)] * 0.92


def simulate(dice: random.Random) -> list[dict[str, float]]:
    """Every row as an honest instrument would show it, errors in, faults not yet."""
    bank, charger, rows = TwoWells(), Charger(), []
    keyed_until, counter_ah, flicker = 0, 0.0, 1.0
    for second in range(1, DAYS * 86400 + 1):
        hour = second / 3600.0 % 24.0
        if keyed_until < second and dice.random() < (0.0016 if 6 < hour < 22 else 0.0002):
            keyed_until = second + dice.randint(4, 60)
        load_a = 1.55 if second <= keyed_until else 0.14
        air_c = 8.0 + 5.0 * math.sin(math.pi * (hour - 9.0) / 12.0) + 0.8 * (second // 86400)
        if second % 60 == 0:
            flicker = min(1.1, max(0.3, 0.9 * flicker + 0.1 + dice.gauss(0.0, 0.06)))
        panel_w = 30.0 * sun_share(second) * min(1.0, flicker)
        controller_c = air_c + 0.25 * panel_w
        if panel_w == 0.0:
            charger.held_s = 0.0
        most_a = 0.95 * panel_w / 13.8 - load_a
        volts, bank_a = _one_second(bank, charger, most_a, air_c, controller_c, load_a)
        bank.advance(bank_a, volts, air_c, 1.0)
        counter_ah += (bank_a * A_GAIN + A_ERROR) / 3600.0
        if second % ROW_S == 0:
            used_w = min(panel_w, max(0.0, (bank_a + load_a) * volts / 0.95))
            rows.append({
                "time_s": START_UTC_S + second, "bank_v": volts + V_ERROR + dice.gauss(0.0, 0.003),
                "bank_a": bank_a * A_GAIN + A_ERROR + dice.gauss(0.0, 0.003), "bank_ah_counter": counter_ah,
                "bank_c": air_c + BANK_C_ERROR, "panel_v": 17.5 if panel_w > 0.0 else 0.0, "panel_a": used_w / 17.5,
                "panel_w": used_w, "controller_c": controller_c + CONTROLLER_C_ERROR, "enclosure_c": air_c,
                "true_soc": bank.soc(), "true_capacity_ah": CAPACITY_AH,
            })  # fmt: skip
    return rows


def _one_second(
    bank: TwoWells, charger: Charger, most_a: float, bank_c: float, controller_c: float, load_a: float
) -> tuple[float, float]:
    """Voltage and current of the bank now; counts the charger's time at absorption."""
    if most_a <= 0.0:
        return bank.terminal_v(most_a, bank_c), most_a
    limit_v = charger.set_point_v(controller_c)
    volts = bank.terminal_v(most_a, bank_c)
    if volts <= limit_v:
        return volts, most_a
    charger.held_s += 1.0
    if bank.rest_v(bank_c) >= limit_v:
        return bank.terminal_v(-load_a, bank_c), -load_a
    return limit_v, bank.current_at(limit_v, bank_c, most_a)


def with_faults(rows: list[dict[str, float]]) -> list[dict[str, float]]:
    """Gap, reset, frozen rows and spikes, as instruments and computers make them."""
    kept, base_ah, frozen = [], 0.0, None
    for row in rows:
        second = row["time_s"] - START_UTC_S
        if GAP_S[0] < second <= GAP_S[1] or RESET_S[0] < second <= RESET_S[1]:
            base_ah = row["bank_ah_counter"] if second > GAP_S[1] else base_ah
            continue
        row["bank_ah_counter"] -= base_ah
        if FROZEN_S[0] < second <= FROZEN_S[1]:
            frozen = frozen or dict(row)
            truth = {name: row[name] for name in ("time_s", "true_soc", "true_capacity_ah")}
            kept.append({**frozen, **truth})
            continue
        for at_s, name, value in SPIKES:
            if second == at_s:
                row[name] = value
        kept.append(row)
    return kept


def shown(row: dict[str, float]) -> list[str]:
    """A row with each column's resolution."""
    digits = {"time_s": 0, "bank_v": 2, "bank_a": 3, "bank_ah_counter": 3, "bank_c": 1, "panel_v": 1, "panel_a": 2,
              "panel_w": 1, "controller_c": 0, "enclosure_c": 0, "true_soc": 4, "true_capacity_ah": 2}  # fmt: skip
    values = {**row, "bank_a": round(row["bank_a"] / 0.005) * 0.005}
    return [f"{values[name]:.{digits[name]}f}" for name in HEAD]


def main(out: Path) -> None:
    """Write the slice, and beside it the answers."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEAD)
    writer.writerows(shown(row) for row in with_faults(simulate(random.Random(SEED))))
    out.write_bytes(gzip.compress(text.getvalue().encode(), 9, mtime=0))
    answers = {
        "seed": SEED, "nameplate_ah": NAMEPLATE_AH, "true_capacity_ah": CAPACITY_AH, "initial_soc": START_SOC,
        "sensor_bias": {"v_offset": V_ERROR, "i_offset": A_ERROR, "i_gain": A_GAIN - 1.0, "t_offset": BANK_C_ERROR},
    }  # fmt: skip
    out.with_name(out.name.removesuffix(".csv.gz") + ".json").write_text(json.dumps(answers, indent=1) + "\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("five-days.csv.gz"))
