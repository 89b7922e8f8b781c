"""Small wrong turns of the engine, the alarms, the annunciation and the stages. Each must be found by the tests of its part:
what none of them notices, none of them tests. Anchors are found in the code as it stands; test_mutations.py keeps them so."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Part:
    """Files of one part of the core, and the tests that must find what is wrong in them, quickest first."""

    name: str
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Mutation:
    """`before` stands once in `file` (below daemon/core) and becomes `after`."""

    part: Part
    file: str
    before: str
    after: str


ENGINE = Part("engine", ("tests/core/test_engine.py", "tests/core/test_restart.py", "tests/golden"))
PITS = Part("pits", ("tests/core/test_two_pits.py",))
ALARMS = Part("alarms", ("tests/core/alarms/test_table.py", "tests/golden", "tests/core/alarms"))
CALLS = Part("annunciation", ("tests/core/annunciation", "tests/golden"))
MEAT = Part("meat", ("tests/core/pieces/test_meat_witness.py",))
FORECAST = Part("forecast", ("tests/core/forecast/test_unmarked.py",))
SLID = Part("forecast", ("tests/core/pieces/test_forecast_age.py", "tests/core/forecast/test_slid_out.py"))
STAGES = Part("stages", ("tests/core/pit/test_stage.py", "tests/core/pieces/test_piece_stage.py", "tests/golden"))

MUTATIONS = (
    # engine
    Mutation(ENGINE, "engine.py", "item.band.high - item.band.low >= MIN_BAND", "item.band.high - item.band.low >= 0"),
    Mutation(ENGINE, "engine.py", "item.band.low >= POSSIBLE_BAND[0]", "True"),
    Mutation(ENGINE, "engine.py", "orders.OutOfService) and item.out and self", "orders.OutOfService) and self"),
    Mutation(ENGINE, "engine.py", "and self.annunciator.is_night(self._utc(now)):", "and False:"),
    Mutation(ENGINE, "engine.py", "        self.grace.resumed(now, item.watched_until)\n", ""),
    Mutation(ENGINE, "engine.py", "        self.alarms.resumed(now, item.away_known)\n", ""),
    Mutation(ENGINE, "engine.py", 'if test_wake or item.alarm == "*":', 'if test_wake:'),
    Mutation(ENGINE, "engine.py", "self.annunciator.sleep(True, now)", "pass"),
    Mutation(ENGINE, "engine.py", "                self.alarms.lies_down(now)\n", ""),
    Mutation(ENGINE, "engine.py", "        self.pits[meant].band = item.band\n", ""),
    Mutation(ENGINE, "pit_watch.py", "        self.fire.use_profile(profile.fire)\n", ""),
    Mutation(ENGINE, "cook_orders.py", "[change for pit in self.pits.values() for change in pit.finish(now)]", "[]"),
    Mutation(PITS, "alarms/conditions/scan.py", "if wanting - {pit.pit_id} or", "if"),
    Mutation(PITS, "annunciation/annunciator.py", "for change, view in raised:\n", "for change, view in ():\n"),
    Mutation(PITS, "annunciation/nap.py", "len(known) < len(windows)", "False"),
    Mutation(PITS, "readout.py", "if c.pit == pit]", "]"),
    Mutation(PITS, "pit_watch.py", "replace(change, subject=self.subject)", "change"),
    Mutation(PITS, "pieces/piece.py", "            self._pits.append((minute, pit))\n", "            pass\n"),
    Mutation(ENGINE, "engine.py", "if now % FORECAST_EVERY == 0 or", "if"),
    Mutation(ENGINE, "grace.py", "GRACE = 60.0", "GRACE = 600.0"),
    Mutation(ENGINE, "grace.py", "granted = min(GRACE, abs(watched - used))", "granted = GRACE"),
    # alarms
    Mutation(ALARMS, "alarms/state.py", "at = self.active_since + rule.on_delay", "at = self.active_since"),
    Mutation(ALARMS, "alarms/state.py", "self.within_since + rule.off_delay", "self.within_since"),
    Mutation(ALARMS, "alarms/state.py", "(_S.LATCHED_UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.LATCHED_ACKNOWLEDGED,",
             "(_S.LATCHED_UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.NORMAL,"),
    Mutation(ALARMS, "alarms/state.py", "            and not self.improving\n            and self.told",
             "            and self.told"),
    Mutation(ALARMS, "alarms/state.py", "self.severity <= self.told_severity", "self.severity >= self.told_severity"),
    Mutation(ALARMS, "alarms/state.py", "return self.acknowledged_at + rule.re_alarm", "return self.acknowledged_at"),
    Mutation(ALARMS, "alarms/table.py", "min(command.seconds, self._shelve_limit)", "command.seconds"),
    Mutation(ALARMS, "alarms/table.py", "if self._rules[alarm.rule].safety:", "if False:"),
    Mutation(ALARMS, "alarms/table.py", "if not command.seconds > 0:", "if command.seconds < 0:"),
    Mutation(ALARMS, "alarms/table.py", "Trigger.BACK_IN_ALARM if due is not None and due <= now else", ""),
    Mutation(ALARMS, "alarms/table.py", "max(deadline, now)", "deadline"),
    Mutation(ALARMS, "alarms/conditions/pit.py", "0.0 if _not_lit(process) else LIGHTING_TAKES", "LIGHTING_TAKES"),
    Mutation(ALARMS, "alarms/conditions/pit.py", "within=pit > low or back", "within=pit > low - 20 or back"),
    Mutation(ALARMS, "alarms/conditions/pit.py", "active=pit > too_hot and slope > -TURNING", "active=pit > band.high"),
    Mutation(ALARMS, "alarms/conditions/piece.py", "active=seen >= target,", "active=seen >= target + 1.0,"),
    Mutation(ALARMS, "alarms/conditions/piece.py", "asks_about_wrap(piece.question) and", "piece.question and"),
    Mutation(ALARMS, "alarms/conditions/piece.py", "and width <= TOO_WIDE and helps,", "and width <= TOO_WIDE,"),
    Mutation(ALARMS, "alarms/conditions/kept.py", "active=low or soon or cold_air,", "active=low or cold_air,"),
    Mutation(ALARMS, "alarms/conditions/kept.py", "held[0] is piece and ", ""),
    Mutation(ALARMS, "pit/stage.py", "and self._top >= HOT)", "and False)"),
    Mutation(ALARMS, "food_safety/cabinet_air.py", "self.below + before, self.unseen + before", "self.below, self.unseen"),
    Mutation(ALARMS, "pieces/piece.py", "(self.cabinet is not None and not self._air_unread.gone)", "self.cabinet is not None"),
    Mutation(ALARMS, "pieces/piece.py", "(not self.followed or self._core_unread.gone)", "not self.followed"),
    Mutation(ALARMS, "alarms/conditions/kept.py", "if piece.lost_core is not None:", "if False:"),
    Mutation(MEAT, "pieces/meat_witness.py", "and None not in touched and name not in touched", ""),
    Mutation(MEAT, "pieces/meat_witness.py", "any(core >= most.core - WARMER for core in rising)", "False"),
    Mutation(MEAT, "pieces/meat_witness.py", "falls and dipped >= DIPS", "falls"),
    Mutation(MEAT, "pieces/meat_witness.py", "if one.done - before < LEFT_ALONE * MINUTE:", "if False:"),
    Mutation(ALARMS, "since.py", "if self._again and self.owed >= OWED_AT_MOST:", "if False:"),
    Mutation(MEAT, "pit_watch.py", "self.meat = courses(", "self.meat = {} and courses("),
    Mutation(CALLS, "annunciation/annunciator.py", "(now - told) / step >= 1.0", "False"),
    Mutation(MEAT, "alarms/conditions/pit.py", "            active=meat.surely,\n", "            active=False,\n"),
    Mutation(ALARMS, "watch_state.py", "min(heard, self.conditioner.stuck().get(channel, heard))", "heard"),
    Mutation(ALARMS, "alarms/conditions/watch.py", "FAR_OFF if process.wake_channels - down else 0.0", "FAR_OFF"),
    # annunciation
    Mutation(CALLS, "annunciation/escalation.py", "Rung(settings.sounder_after, (LOUDER, SOUNDER))",
             "Rung(settings.sounder_after, (LOUDER,))"),
    Mutation(CALLS, "annunciation/escalation.py", "after <= settings.give_up_after else None", "True else None"),
    Mutation(CALLS, "annunciation/escalation.py", "min(self.rung, LAST_NAMED_RUNG)", "self.rung"),
    Mutation(CALLS, "annunciation/escalation.py", "settings.re_announce_every * 2.0**n", "settings.re_announce_every"),
    Mutation(CALLS, "annunciation/spacing.py", "return last is None or now >= last + SPACING", "return True"),
    Mutation(CALLS, "annunciation/spacing.py", "return min(early, last + SPACING)", "return last + SPACING"),
    Mutation(CALLS, "annunciation/annunciator.py", "memory.paused_from + self._settings.pause_limit", "now + seconds"),
    Mutation(CALLS, "annunciation/annunciator.py", "memory.paused_from if running else now", "now"),
    Mutation(CALLS, "annunciation/annunciator.py", ", self._memory.paused_until or 0.0)", ")"),
    Mutation(CALLS, "annunciation/annunciator.py", "if rule.wake is WakePolicy.LEAD and left", "if left"),
    Mutation(CALLS, "annunciation/annunciator.py", "Level.WAKE if night or rule.priority is Priority.HIGH else",
             "Level.WAKE if night else"),
    Mutation(CALLS, "annunciation/annunciator.py", "*(self._memory.call.unannunciated if self._memory",
             "*(() if self._memory"),
    Mutation(CALLS, "annunciation/annunciator.py", 'self._hold_back(annunciation, say("held-back.nobody-answered"))', "pass"),
    Mutation(CALLS, "annunciation/quiet_hours.py", "asleep or wall < CLOCK_SET_AFTER or", "asleep or"),
    Mutation(CALLS, "annunciation/quiet_hours.py", "minute >= quiet.start or minute < quiet.end", "minute >= quiet.start"),
    Mutation(CALLS, "annunciation/test_call.py", 'if self.state in (TestCallState.SENT, TestCallState.DELIVERED):', "if True:"),
    Mutation(CALLS, "annunciation/reach.py", "if a not in sent.told and set", "if set"),
    # stages
    Mutation(STAGES, "pit/stage.py", "LID_AT_MOST = 20", "LID_AT_MOST = 2000"),
    Mutation(STAGES, "pit/stage.py", "CATCHES_IN = 30", "CATCHES_IN = 40"),
    Mutation(STAGES, "pit/stage.py", "PitSign.BELOW: below and not self._raised,", "PitSign.BELOW: below,"),
    Mutation(STAGES, "pit/stage.py", "(band.high - band.low) / 3", "(band.high - band.low) / 2"),
    Mutation(STAGES, "pit/stage.py", "and pit - recent[-1 - RUNAWAY_SPAN :][0] >= RUNAWAY_RISE", ""),
    Mutation(STAGES, "pit/stage.py", "self._since_lit == CATCHES_IN", "self._since_lit >= CATCHES_IN"),
    Mutation(STAGES, "pieces/stage.py", "and after is PiecePhase.COOKING and self.wrapped_at is not None", "and False"),
    Mutation(STAGES, "pieces/stage.py", "core < wrap_at - EARLY_WRAP:", "core < wrap_at:"),
    Mutation(STAGES, "pieces/stage.py", "now - self.off_at >= REST_AFTER", "now - self.off_at >= 0"),
    Mutation(STAGES, "pieces/stage.py", "and self.stage in AFTER_THE_PIT and mark.piece is None:", "and False:"),
    Mutation(STAGES, "pieces/stage.py", "min(cores[-TENDER_FOR:]) >= low", "cores[-1] >= low"),
    Mutation(STAGES, "pieces/stage.py", "and not self.question and not self._wrap_asked() else []",
             "and not self.question else []"),
    # forecast
    Mutation(FORECAST, "forecast/unmarked.py", "self.wrapped.evidence - self.bare.evidence",
             "self.bare.evidence - self.wrapped.evidence"),
    Mutation(FORECAST, "forecast/unmarked.py", "passed = np.floor(np.arange(MEMBERS + 1) * stories.chance)",
             "passed = np.zeros(MEMBERS + 1)"),
    Mutation(FORECAST, "forecast/unmarked.py", "    if course.wrap_step is not None or request", "    if request"),
    Mutation(FORECAST, "forecast/unmarked.py", "max(MOVES_BY * min(one, other), MOVES_LEAST)", "MOVES_LEAST"),
    Mutation(SLID, "pieces/piece.py", "still == now and not self.slid_out", "still == now"),
    Mutation(SLID, "forecast/eligibility.py", ".sum() > SLIDES_BY", ".sum() > 5 * SLIDES_BY"),
    Mutation(SLID, "forecast/eligibility.py", "(*course.seated, *agreed)", "course.seated"),
    Mutation(SLID, "forecast/eligibility.py", "(*course.seated, *agreed)", "agreed"),
    Mutation(SLID, "forecast/eligibility.py", "< core[end - 1] < air", "< core[end - 1]"),
    Mutation(STAGES, "pieces/stage.py", "if slid and self.stage in ON_THE_PIT and", "if slid and"),
    Mutation(STAGES, "pieces/stage.py", "if mark.piece not in (None, self.piece.id):", "if False:"),
)  # fmt: skip
