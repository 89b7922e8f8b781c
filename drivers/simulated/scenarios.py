"""Our own scenarios: an overnight beef chuck roll and a lamb shoulder for a village-hall lunch, and the same night going wrong.

The pit is a well insulated one with a draught regulator, so that a big load of wood carries it for hours; once it is burnt
down nothing but a person helps. All times are s from 17:00.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.simulated.cook import HOUR, Act, Channel, Piece, Scenario, ScriptedAct
from drivers.simulated.sensor import Failing, ProbeFailure

START_HOUR = 17.0


def _at(clock: float) -> float:
    """s after the start of a local hour of the day, the next day's hours above 24."""
    return (clock - START_HOUR) * HOUR


_CHANNELS = (
    Channel("pit-left", "pit", share=0.06, noise=0.4, lag=30.0, bias=0.5),
    Channel("pit-right", "pit", share=-0.05, noise=0.4, lag=30.0, bias=-0.5),
    Channel("pit-firebox", "pit", share=0.12, noise=0.5, lag=30.0),
    Channel("chuck", "meat", piece="chuck", depth=0.05, bias=0.2),
    Channel("chuck-edge", "meat", piece="chuck", depth=0.45, bias=-0.3),
    Channel("lamb", "meat", piece="lamb", depth=0.1, bias=-0.2),
    Channel("outside", "outside", noise=0.2, lag=120.0),
    Channel("cabinet", "cabinet", noise=0.2, lag=60.0),
)
_PIT = (
    ("steel_loss", 14.0),
    ("gas_to_steel", 40.0),
    ("flue", 10.0),
    ("gas_heat", 22e3),
    ("steel_heat", 150e3),
    ("lid", 60.0),
    ("flame", 1500.0),
    ("glow", 7200.0),
    ("efficiency", 0.8),
)
_CHUCK = Piece(
    "chuck",
    "beef-chuck-roll",
    7.0,
    (
        ("thickness", 0.15),
        ("shape", 0.95),
        ("water", 0.67),
        ("protein", 0.19),
        ("fat", 0.13),
        ("start", 5.0),
        ("crust_diffusivity", 0.9e-6),
    ),
    0.02,
    77.0,
    92.0,
    97.0,
)
_LAMB = Piece(
    "lamb",
    "lamb-shoulder",
    2.4,
    (
        ("thickness", 0.092),
        ("shape", 0.75),
        ("water", 0.66),
        ("protein", 0.18),
        ("fat", 0.15),
        ("start", 5.0),
        ("crust_diffusivity", 0.9e-6),
    ),
    -0.03,
    74.0,
    90.0,
    95.0,
)


_EVENING = ((17.1, 1.6), (17.8, 0.6), (18.6, 0.7), (19.4, 0.6), (20.2, 0.7), (21.0, 0.6), (21.8, 0.7), (22.6, 0.6))
"""Local hour and kg of the logs laid while everybody is up."""
NIGHT_LOAD = 2.2


def demo_scenario() -> Scenario:
    """Friday 17:00 to Saturday 13:00. The wood burns down once at night, so that somebody must get up; the lamb's
    probe loses contact for a while; wrap and tender ranges are reached. Nobody acts after 23:30 unless
    `SimulatedCook.do` is called."""
    evening = [ScriptedAct(_at(t), Act.LOG, amount=kg) for t, kg in _EVENING]
    return Scenario(
        name="village-hall lunch",
        start_hour=START_HOUR,
        length=20 * HOUR,
        band_low=107.0,
        band_high=135.0,
        set_point=121.0,
        pit=_PIT,
        regulator=0.08,
        channels=_CHANNELS,
        pieces=(_CHUCK, _LAMB),
        script=(
            ScriptedAct(_at(17.1), Act.LIGHT),
            *evening,
            ScriptedAct(_at(18.5), Act.PUT_ON, "chuck"),
            ScriptedAct(_at(18.5), Act.LID, amount=60.0),
            ScriptedAct(_at(21.5), Act.LID, amount=45.0),
            ScriptedAct(_at(23.2), Act.PUT_ON, "lamb"),
            ScriptedAct(_at(23.2), Act.LID, amount=60.0),
            ScriptedAct(_at(23.4), Act.LOG, amount=NIGHT_LOAD),
        ),
        failures=(ProbeFailure("lamb", Failing.OPEN, _at(25.6), _at(26.1)),),
    )


def flare_up_scenario() -> Scenario:
    """The same night, but fat catches fire at 01:30 and burns for 12 minutes."""
    night = demo_scenario()
    flare = (ScriptedAct(_at(25.5), Act.FLARE, amount=4000.0), ScriptedAct(_at(25.7), Act.FLARE, amount=0.0))
    return replace(night, name="flare-up", script=night.script + flare)


def fire_out_scenario() -> Scenario:
    """The same night, but the last wood is a small piece, and rain falls from midnight: the fire dies before 02:00."""
    night = demo_scenario()
    script = tuple(replace(s, amount=0.8) if s.time == _at(23.4) else s for s in night.script)
    return replace(night, name="fire out", script=(*script, ScriptedAct(_at(24.0), Act.RAIN, amount=4.0)))
