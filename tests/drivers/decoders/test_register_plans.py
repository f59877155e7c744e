"""Plans: neighbours together, never over 125, and answers that tell themselves apart."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.decoders.register_plans import PollPlan, Request, plan_requests
from drivers.register_maps import RegisterMap, RegisterPoint, load_register_map
from shared.quantities import ESTIMATED, QUANTITIES

NAMES = [name for name in QUANTITIES if name not in ESTIMATED]


def plan_of(text: str) -> PollPlan:
    return plan_requests({"x": (5, load_register_map(text, "m"))})["x"]


def point(quantity: str, address: int, kind: str = "u16", table: str = "input") -> str:
    return f'[[point]]\nquantity = "{quantity}"\ntable = "{table}"\naddress = {address}\ntype = "{kind}"\n'


def readable(address: int, count: int, table: str = "input") -> str:
    return f'[[readable]]\ntable = "{table}"\naddress = {address}\ncount = {count}\n'


def shapes_in_a_row(plan: PollPlan) -> list[tuple[int, int, int]]:
    requests = [request.shape for turn in plan.turns for request in turn]
    return [*requests, requests[0]]


def test_neighbours_come_in_one_request() -> None:
    plan = plan_of(point("bank_v", 10) + point("bank_a", 11, "s32") + point("bank_c", 13, "f32"))
    assert plan.turns[0] == (Request(5, "input", 10, 5),)


def test_every_second_poll_is_cut_between_points_but_not_between_voltage_and_current() -> None:
    plan = plan_of(point("bank_v", 10) + point("bank_a", 11, "s32") + point("bank_c", 13, "f32"))
    assert plan.turns[1] == (Request(5, "input", 10, 3), Request(5, "input", 13, 2))
    assert plan.guarded


def test_a_pair_alone_is_led_by_a_short_read_rather_than_parted() -> None:
    plan = plan_of(point("bank_v", 10) + point("bank_a", 11))
    assert plan.turns == ((Request(5, "input", 10, 1), Request(5, "input", 10, 2)),)
    assert plan.guarded


def test_a_readable_register_beside_the_block_is_the_cheapest_way_to_another_count() -> None:
    plan = plan_of(point("bank_v", 10) + readable(10, 2))
    assert plan.turns == ((Request(5, "input", 10, 1),), (Request(5, "input", 10, 2),))
    assert plan.guarded


def test_blocks_that_differ_need_nothing_more() -> None:
    plan = plan_of(point("bank_v", 10) + point("bank_c", 30, "f32"))
    assert plan.turns == ((Request(5, "input", 10, 1), Request(5, "input", 30, 2)),)


def test_tables_are_never_mixed_and_their_function_tells_them_apart() -> None:
    plan = plan_of(point("bank_v", 10) + point("bank_c", 11, table="holding"))
    assert plan.turns == ((Request(5, "holding", 11, 1), Request(5, "input", 10, 1)),)
    assert plan.guarded


def test_a_single_register_that_nothing_helps_is_said_to_be_unguarded() -> None:
    plan = plan_of(point("bank_v", 10))
    assert not plan.guarded
    assert plan.proofs == (Request(5, "input", 10, 1),)


def test_an_identity_leads_when_there_is_nothing_else() -> None:
    identity = '[identity]\ntable = "holding"\naddress = 0\ntype = "u16"\nvalue = 9\n'
    plan = plan_of(identity + point("bank_v", 10))
    assert plan.guarded
    assert plan.identity == Request(5, "holding", 0, 1)
    assert plan.identity in plan.proofs


@pytest.mark.parametrize(("gap", "bridge", "together"), [(3, 0, False), (3, 2, False), (3, 3, True)])
def test_a_gap_is_bridged_only_as_far_as_the_map_allows(gap: int, bridge: int, together: bool) -> None:
    plan = plan_of(f"bridge = {bridge}\n" + point("bank_v", 10) + point("bank_c", 11 + gap))
    assert (Request(5, "input", 10, gap + 2) in plan.turns[0]) is together


def test_a_gap_of_readable_registers_is_bridged() -> None:
    plan = plan_of(readable(11, 3) + point("bank_v", 10) + point("bank_c", 14))
    assert Request(5, "input", 10, 5) in plan.turns[0]


def test_two_instruments_of_one_unit_on_a_line_are_refused() -> None:
    register_map = load_register_map(point("bank_v", 10), "m")
    with pytest.raises(ValueError, match="same unit 3"):
        plan_requests({"a": (3, register_map), "b": (3, register_map)})


@st.composite
def maps(draw: st.DrawFn) -> RegisterMap:
    chosen = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=len(NAMES), unique=True))
    address, points = draw(st.integers(0, 50)), []
    for quantity in chosen:
        kind = draw(st.sampled_from(["u16", "s16", "u32", "s32", "f32"]))
        table = draw(st.sampled_from(["holding", "input"]))
        points.append(RegisterPoint(quantity, table, address, kind, "high-first", 1.0, 0.0, (), 0.0, 1.0))
        address += points[-1].width + draw(st.sampled_from([0, 0, 0, 1, 5, 60]))
    return RegisterMap(tuple(points), bridge=draw(st.sampled_from([0, 1, 60])))


@settings(max_examples=40, deadline=None)
@given(maps())
def test_any_plan_covers_every_point_and_keeps_its_promises(register_map: RegisterMap) -> None:
    plan = plan_requests({"x": (5, register_map)})["x"]
    for turn in plan.turns:
        assert all(1 <= request.count <= 125 for request in turn)
        for p in register_map.points:
            assert any(request.covers(p.table, p.address, p.width) for request in turn)
        for request in turn:  # only registers the map names or allows to be bridged
            named = {
                a for p in register_map.points if p.table == request.table for a in (p.address, p.address + p.width - 1)
            }
            assert {request.address, request.address + request.count - 1} <= named
    assert plan.guarded == all(a != b for a, b in pairwise(shapes_in_a_row(plan)))
    # Whenever any two reads of different shape exist, they can be made to alternate.
    assert plan.guarded == (len({p.shape for p in plan.proofs} | {r.shape for turn in plan.turns for r in turn}) > 1)
    assert len({proof.shape for proof in plan.proofs}) == len(plan.proofs)
