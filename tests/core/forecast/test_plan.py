"""The plan before the cook and the standing during it: arithmetic that must agree with itself."""

from dataclasses import replace

import pytest

from daemon.core.forecast.plan import (
    WANTED_CHANCE,
    Course,
    Feeding,
    Running,
    at_chance,
    chance_by,
    chance_if_lit,
    kept_plan,
    plan,
    serving_later,
    too_late,
)
from daemon.core.forecast.standing import standing
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap
from tests.known import known
from tests.texts.english import in_english

HOUR = 3600.0
BAND = Band(121.0, 135.0)
SERVE = 100 * HOUR
SHOULDER = PieceSettings(
    "shoulder", "Lamb shoulder", "lamb-shoulder", MeatKind.WHOLE_ROAST, "a", 2.5, 0.09, 1.1, None, None, 90.0, 95.0
)
CHUCK = PieceSettings(
    "chuck", "Chuck roll", "beef-chuck-roll", MeatKind.WHOLE_ROAST, "b", 6.0, 0.125, 1.25, Wrap.FOIL, 77.0, 92.0
)


def test_the_big_piece_goes_on_first_and_the_pit_is_lit_before_it() -> None:
    made = plan([SHOULDER, CHUCK], BAND, SERVE, HOUR, 10.0)
    lamb, chuck = made.pieces
    assert known(made.light) + Feeding().heat_up == pytest.approx(known(chuck.put_on))
    assert known(chuck.put_on) < known(lamb.put_on) < SERVE - HOUR
    assert 6 * HOUR < known(chuck.lasts).p50 < 14 * HOUR  # common practice, no source: most of a night


def test_each_piece_alone_keeps_the_promise_and_two_share_it() -> None:
    alone = plan([CHUCK], BAND, SERVE, HOUR, 10.0).pieces[0]
    assert chance_by(known(alone.off), SERVE - HOUR) == pytest.approx(WANTED_CHANCE, abs=1e-6)
    pair = plan([CHUCK, SHOULDER], BAND, SERVE, HOUR, 10.0)
    together = 1.0
    for piece in pair.pieces:
        together *= chance_by(known(piece.off), SERVE - HOUR)
    assert together == pytest.approx(WANTED_CHANCE, abs=1e-6)
    assert known(pair.pieces[0].put_on) < known(alone.put_on)


def test_a_cooler_pit_a_longer_rest_and_no_wrap_all_ask_for_an_earlier_start() -> None:
    base = known(plan([CHUCK], BAND, SERVE, HOUR, 10.0).pieces[0].put_on)
    assert known(plan([CHUCK], Band(104.0, 118.0), SERVE, HOUR, 10.0).pieces[0].put_on) < base
    assert known(plan([CHUCK], BAND, SERVE, 3 * HOUR, 10.0).pieces[0].put_on) == pytest.approx(base - 2 * HOUR)


def test_a_pit_known_to_be_late_is_lit_earlier() -> None:
    usual, late = (plan([CHUCK], BAND, SERVE, HOUR, 10.0, lesson=minutes).pieces[0] for minutes in (0.0, 6.0))
    assert known(late.lasts).p50 == pytest.approx(1.1 * known(usual.lasts).p50)
    assert known(late.put_on) < known(usual.put_on)


def test_wood_is_counted_from_the_match_to_the_last_piece() -> None:
    pit = Feeding(log_interval=1800.0, heat_up=HOUR, log_weight=0.5, kindling=4)
    made = plan([CHUCK], BAND, SERVE, HOUR, 10.0, pit)
    assert made.fires[0] == known(made.light) + HOUR
    assert {round(b - a) for a, b in zip(made.fires, made.fires[1:], strict=False)} == {1800}
    assert made.fires[-1] < known(made.pieces[0].off).p95 <= made.fires[-1] + 1800.0 + 1e-6
    assert made.logs == 4 + len(made.fires)
    assert made.wood == pytest.approx(0.5 * made.logs)
    night = made.fires_between(known(made.light), known(made.light) + 4 * HOUR)
    assert night == tuple(t for t in made.fires if t < known(made.light) + 4 * HOUR)


def test_a_fire_lit_late_costs_chance_and_the_same_delay_of_the_meal_gives_it_back() -> None:
    made = plan([CHUCK, SHOULDER], BAND, SERVE, HOUR, 10.0)
    light = known(made.light)
    in_time, early = chance_if_lit(made, light), chance_if_lit(made, light - HOUR)
    assert in_time == early == pytest.approx(WANTED_CHANCE)
    chances = [chance_if_lit(made, light + hours * HOUR) for hours in (0, 1, 3, 12)]
    assert chances == sorted(chances, reverse=True)
    assert chances[-1] < 0.1
    gap = known(made.pieces[1].put_on) - known(made.pieces[0].put_on)
    alone = chance_by(known(made.pieces[1].off), SERVE - HOUR)
    assert chance_if_lit(made, light + gap) < alone, "the big piece is late although the small one is not"
    later = plan([CHUCK, SHOULDER], BAND, SERVE + HOUR, HOUR, 10.0)
    assert chance_if_lit(later, light + HOUR) == pytest.approx(WANTED_CHANCE)


def test_what_is_too_late_is_told_by_piece_and_a_later_serving_restores_the_chance() -> None:
    made, heat_up = plan([CHUCK, SHOULDER], BAND, SERVE, HOUR, 10.0), Feeding().heat_up
    between = (known(made.pieces[0].put_on) + known(made.pieces[1].put_on)) / 2 - heat_up
    late = too_late(made, between, heat_up)
    assert late == {CHUCK.id: pytest.approx(between - known(made.light))}
    assert serving_later(made) is None
    running = Running(between, {}, {})
    hurried = plan([CHUCK, SHOULDER], BAND, SERVE, HOUR, 10.0, running=running)
    by = known(serving_later(hurried))
    assert plan([CHUCK, SHOULDER], BAND, SERVE + by, HOUR, 10.0, running=running).chance >= WANTED_CHANCE - 0.01


def test_each_pit_is_lit_for_its_own_meat_and_a_piece_is_ready_for_its_own_serving() -> None:
    drum = replace(SHOULDER, pit="drum", serve_at=SERVE - 5 * HOUR)
    bands = {"": BAND, "drum": Band(135.0, 150.0)}
    made = plan([CHUCK, drum], BAND, SERVE, HOUR, 10.0, bands=bands)
    chuck, lamb = made.pieces
    lights = {"": known(chuck.put_on) - Feeding().heat_up, "drum": known(lamb.put_on) - Feeding().heat_up}
    assert dict(made.lights) == lights and made.light == min(lights.values())
    each = WANTED_CHANCE**0.5
    assert chance_by(known(lamb.off), SERVE - 6 * HOUR) == pytest.approx(each)
    assert chance_by(known(chuck.off), SERVE - HOUR) == pytest.approx(each)
    cooler = plan([CHUCK, replace(drum, pit="")], BAND, SERVE, HOUR, 10.0)
    assert known(cooler.pieces[1].lasts).p50 > known(lamb.lasts).p50, "by the band of its own pit"
    kept = known(kept_plan(made, Feeding(), wake=True))
    assert [piece.serve_at for piece in kept.pieces] == [None, SERVE - 5 * HOUR]
    assert made.logs == len(made.fires) + 2 * Feeding().kindling


def test_what_cannot_be_planned_says_why() -> None:
    nothing = PieceSettings("x", "x", "x", MeatKind.OTHER, "x", 1.0, 0.1, 1.0)
    made = plan([nothing], BAND, SERVE, HOUR, 10.0)
    assert made.light is None
    assert made.logs == 0
    assert in_english(made.pieces[0].reason) == "no target to leave the fire at"
    high_up = plan([CHUCK], BAND, SERVE, HOUR, 10.0, boiling_point=90.0)
    assert "altitude" in in_english(high_up.pieces[0].reason)


def test_chance_and_quantile_are_inverses() -> None:
    when = Interval(10.0, 20.0, 50.0)
    assert at_chance(when, 0.95) == pytest.approx(50.0)
    assert at_chance(when, 0.05) == pytest.approx(10.0)
    for chance in (0.02, 0.3, 0.5, 0.9, 0.99):
        assert chance_by(when, at_chance(when, chance)) == pytest.approx(chance)
    sure = Interval(5.0, 5.0, 5.0)
    assert (chance_by(sure, 4.0), chance_by(sure, 5.0)) == (0.0, 1.0)


def tender(scenario: str, hours: float) -> Outlook:
    return Outlook(Goal.TENDER, scenario, Interval((hours - 1) * HOUR, hours * HOUR, (hours + 2) * HOUR))


def test_remedies_stand_side_by_side_with_doing_nothing() -> None:
    outlooks = {"chuck": [tender("planned", 99.5), tender("pit-10-hotter", 98.5), tender("wrapped-now", 97.5)]}
    found = standing(SERVE, HOUR, 94 * HOUR, BAND, outlooks, {"chuck": 75.0})
    by_action = {r.action: r for r in found.remedies}
    assert set(by_action) == {"none", "raise", "wrap", "oven"}
    assert found.ahead == pytest.approx(-0.5 * HOUR)
    assert found.chance == by_action["none"].chance < 0.5
    assert by_action["none"].gain == 0.0
    assert by_action["raise"].gain == pytest.approx(HOUR)
    assert by_action["none"].chance < by_action["raise"].chance < by_action["wrap"].chance < by_action["oven"].chance
    assert by_action["oven"].rough
    assert not by_action["wrap"].rough


def test_a_wrapped_piece_is_not_told_to_wrap_and_an_unknown_one_leaves_the_chance_open() -> None:
    outlooks = {
        "chuck": [tender("planned", 97.0), tender("pit-10-hotter", 96.5)],
        "lamb": [Outlook(Goal.TENDER, "planned", None, "first 45 minutes")],
    }
    found = standing(SERVE, HOUR, 94 * HOUR, BAND, outlooks, {})
    assert {r.action for r in found.remedies} == {"none", "raise"}
    assert found.unknown == ("lamb",)
    assert found.chance is None
    assert found.ahead == pytest.approx(2 * HOUR)


def test_what_joins_a_running_cook_late_goes_on_now_and_costs_chance() -> None:
    now, serve_at = 40_000.0, 40_000.0 + 6 * 3600.0
    off = Interval(now + 2 * 3600.0, now + 3 * 3600.0, now + 4 * 3600.0)
    running = Running(now, {"": now - 5 * 3600.0}, {SHOULDER.id: Course(now - 4 * 3600.0, off)})
    made = plan((SHOULDER, CHUCK), BAND, serve_at, 3600.0, 10.0, running=running)
    lamb, chuck = made.pieces
    assert lamb.put_on == now - 4 * 3600.0
    assert chuck.put_on == now
    assert made.chance < 0.2, "a big piece is not done in five hours"
    unlit = plan((CHUCK,), BAND, serve_at, 3600.0, 10.0, running=Running(now, {}, {}))
    assert unlit.pieces[0].put_on == now + Feeding().heat_up and unlit.light == now
    early = plan((CHUCK,), BAND, serve_at + 86_400.0, 3600.0, 10.0, running=Running(now, {}, {}))
    assert early.pieces[0].put_on == plan((CHUCK,), BAND, serve_at + 86_400.0, 3600.0, 10.0).pieces[0].put_on
    assert abs(early.chance - 0.9) < 1e-6


def test_each_pit_is_lit_for_its_own_pieces_and_holds_its_own_band() -> None:
    drum, hot = replace(SHOULDER, pit="drum"), Band(140.0, 160.0)
    alone, beside = plan([CHUCK], BAND, SERVE, HOUR, 10.0), plan([SHOULDER], hot, SERVE, HOUR, 10.0)
    both = plan([CHUCK, drum], BAND, SERVE, HOUR, 10.0, bands={"drum": hot})
    on = {piece.pit: known(piece.put_on) for piece in both.pieces}
    assert dict(both.lights) == {pit: at - Feeding().heat_up for pit, at in on.items()}
    assert both.light == min(dict(both.lights).values())
    lasts = [known(piece.lasts) for made in (alone, beside) for piece in made.pieces]
    assert [known(piece.lasts) for piece in both.pieces] == lasts, "each by its own pit's heat"
    assert both.logs == pytest.approx(alone.logs + beside.logs, abs=1), "two fires burn the wood of two"
    now = known(both.light) - HOUR
    one_burns = Running(now, {"": now}, {})
    late = plan([CHUCK, drum], BAND, now + 4 * HOUR, HOUR, 10.0, running=one_burns, bands={"drum": hot})
    first, second = (known(piece.put_on) for piece in late.pieces)
    assert first == now + Feeding().heat_up == second, "both are heated from now"
    warm = replace(one_burns, fires={"": now - 2 * HOUR})
    late = plan([CHUCK, drum], BAND, now + 4 * HOUR, HOUR, 10.0, running=warm, bands={"drum": hot})
    assert [known(piece.put_on) for piece in late.pieces] == [now, now + Feeding().heat_up]
