"""Pieces of five minutes out of rows: what the counter says, what hangs, what was not seen."""

from collections.abc import Sequence

import pytest

from shared.flows import CONTROLLER_SHARE, Flows, Piece

CAPACITY_AH = 24.0


def pieces(
    flows: Flows, rows: Sequence[tuple[float | None, ...]], every_s: float = 10.0, start_s: float = 0.0
) -> list[Piece]:
    """Feed rows of (bank_v, bank_a, counter_ah, panel_w, charge_a)."""
    found = []
    for number, (bank_v, bank_a, counter_ah, panel_w, charge_a) in enumerate(rows):
        piece = flows.row(start_s + number * every_s, bank_v, bank_a, counter_ah, panel_w, charge_a)
        if piece is not None:
            found.append(piece)
    return found


def test_the_counter_goes_before_samples_that_alias() -> None:
    """Sampled only between keyings, while the counter saw 0.5 A."""
    rows = [(12.5 + 0.001 * (n % 3), -0.13, -0.5 * n * 10.0 / 3600.0, 0.0, None) for n in range(31)]
    (piece,) = pieces(Flows(CAPACITY_AH), rows)
    assert piece.span_s == 300.0
    assert piece.bank_a == pytest.approx(-0.5)
    assert piece.load_a == pytest.approx(0.5)
    assert piece.floor_a == pytest.approx(0.13)


def test_a_counter_that_began_anew_is_not_believed() -> None:
    rows = [(12.5 + 0.001 * (n % 3), -0.2, 50.0 if n < 15 else 0.0, 0.0, None) for n in range(31)]
    (piece,) = pieces(Flows(CAPACITY_AH), rows)
    assert piece.bank_a == pytest.approx(-0.2)


def test_load_is_what_was_charged_less_what_arrived() -> None:
    rows = [(13.0, 1.0 + 0.001 * (n % 2), None, 19.5, None) for n in range(31)]
    (piece,) = pieces(Flows(CAPACITY_AH), rows)
    assert piece.charge_a == pytest.approx(CONTROLLER_SHARE * 19.5 / 13.0)
    assert piece.load_a == pytest.approx(CONTROLLER_SHARE * 1.5 - 1.0, abs=0.002)
    told = [(13.0, 1.0 + 0.001 * (n % 2), None, 19.5, 1.4) for n in range(31)]
    (piece,) = pieces(Flows(CAPACITY_AH), told)
    assert piece.charge_a == pytest.approx(1.4)


def test_what_hangs_and_what_is_absurd_makes_no_piece() -> None:
    assert pieces(Flows(CAPACITY_AH), [(12.5, -0.2, -1.0, 0.0, None)] * 60) == []
    spiked = [(12.5 + 0.001 * n, 32.767 if n == 7 else -0.2, None, 0.0, None) for n in range(40)]
    (piece,) = pieces(Flows(CAPACITY_AH), spiked)
    assert piece.bank_a == pytest.approx(-0.2)


def test_a_gap_begins_a_new_piece() -> None:
    flows = Flows(CAPACITY_AH)
    before = [(12.5 + 0.001 * (n % 3), -0.2, None, 0.0, None) for n in range(20)]
    assert pieces(flows, before) == []
    after = [(12.4 + 0.001 * (n % 3), -0.4, None, 0.0, None) for n in range(31)]
    (piece,) = pieces(flows, after, start_s=7400.0)
    assert piece.bank_a == pytest.approx(-0.4)
