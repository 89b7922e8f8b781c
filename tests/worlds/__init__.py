"""Independent truths for hand-fed pits and for meat. They share no code with the program that is examined in them.

Fires (`fires.FIRE_WORLDS`), five structures:

- zones: energy balance of firebox and chamber, each log drying, flaming and glowing;
- draught: burning limited by what the chimney draws;
- kernels: no balance; each log a delayed pulse of random shape, with embers in common;
- masonry: walls conducted through node by node, logs shrinking once they have taken light;
- coals: coals shovelled from a barrel, ash growing on them.

Leave one out: `[w for name, w in FIRE_WORLDS.items() if name != out]`. A pit is proven before it takes part
(`fire.proving`): lit, fed by the clock, left alone; it must turn 2.5 to 15 min after a log and lose its band
15 to 180 min after the last one.

`night.draw_night(world, seed, n)` gives n pits with weather, cooks and probes; `run()` runs them to the end;
or go on with `minute()` and wake the cooks with `call()`. `unfed.unfed(night)` is the truth of "minutes left
if nobody comes" at every saved minute. `marks.draw_marking(seed, n)` is what those cooks write down. The same
seed gives the same night.

Meat (`meats.MEAT_WORLDS`), three structures:

- conduction: finite volumes of heat and water, drying from the outside in;
- compartments: four lumps, drying in rate periods;
- heat-clock: curves with a plateau that uses up a budget of heat, wanders and sinks.

`cooks.draw(fire, meat, seed, n)` gives whole cooks with their truth; `files.write(cook, directory)` the files
that a replay reads. `stress` (one of `night.STRESSES`) asks for a probe that falls, moves or is shaded, a lid
left open, a damper that somebody knocks, wet logs, a storm, a shower, a fire that dies, deeds that nobody
marks. What a world cannot reproduce stands on top of `fire/test_fire_checks.py` and `meat/test_meat_checks.py`.
"""
