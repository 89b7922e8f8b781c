"""How much cooked meat a raw piece gives, for the question of how many it feeds.

Shares of the raw weight from the USDA Table of Cooking Yields for Meat and Poultry, Release 2 (2014), by the row nearest to the
cut (its NDB number behind it), read where the table is cited, not in the table itself. Lamb, mutton and goat are not in it:
theirs are reckoned from the protein of the raw and the cooked row of USDA's Standard Reference, as others have published it. The
table is made in ovens and pots; a pit that dries for twelve hours gives less. Bone is from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

SOURCE = "USDA Table of Cooking Yields for Meat and Poultry, nearest row"


@dataclass(frozen=True, slots=True)
class Yield:
    """cooked: share of the raw weight that comes off the fire. bone: share of that which nobody eats. row: what was cooked."""

    cooked: float
    bone: float
    row: str

    @property
    def eaten(self) -> float:
        """Share of the raw weight that can be served."""
        return self.cooked * (1.0 - self.bone)


_POT_ROAST = "beef shoulder pot roast, boneless, braised (23131)"
_LAMB = "lamb shoulder, braised (17035, 17036, by protein)"
YIELDS: dict[str, Yield] = {
    "beef-chuck-roll": Yield(0.66, 0.0, _POT_ROAST),
    "beef-chuck-roast": Yield(0.66, 0.0, _POT_ROAST),
    "beef-brisket": Yield(0.69, 0.0, "beef brisket, flat half, braised (13806)"),
    "beef-brisket-flat": Yield(0.69, 0.0, "beef brisket, flat half, braised (13806)"),
    "beef-plate-ribs": Yield(0.66, 0.30, "beef short ribs, boneless, braised (23125)"),
    "beef-shank": Yield(0.66, 0.30, _POT_ROAST),
    "beef-cheek": Yield(0.66, 0.0, _POT_ROAST),
    "beef-rib-roast": Yield(0.77, 0.15, "beef rib-eye roast, bone-in, roasted (23191)"),
    "pork-shoulder": Yield(0.65, 0.12, "pork shoulder, blade steak, braised"),
    "pork-neck": Yield(0.65, 0.0, "pork shoulder, blade steak, braised"),
    "pork-ribs": Yield(0.76, 0.35, "pork spareribs, roasted (10940)"),
    "pork-belly": Yield(0.65, 0.0, "no row of its own: as pork shoulder"),
    "pork-loin": Yield(0.77, 0.0, "pork center loin roast, roasted (10039)"),
    "ham-cooked": Yield(0.94, 0.12, "cured ham, roasted (10883)"),
    "lamb-shoulder": Yield(0.58, 0.20, _LAMB),
    "lamb-leg": Yield(0.70, 0.20, "lamb leg, shank half, roasted (17015, 17016, by protein)"),
    "lamb-shank": Yield(0.67, 0.35, "lamb foreshank, braised (17007, 17008, by protein)"),
    "mutton-shoulder": Yield(0.58, 0.20, _LAMB),
    "goat-shoulder": Yield(0.58, 0.25, _LAMB),
    "chicken-whole": Yield(0.78, 0.33, "chicken, whole, roasted"),
    "chicken-pieces": Yield(0.69, 0.20, "chicken thigh, roasted (5098)"),
    "turkey-whole": Yield(0.78, 0.30, "no row of its own: as chicken, whole"),
    "turkey-breast": Yield(0.72, 0.10, "chicken breast, roasted"),
    "duck-whole": Yield(0.72, 0.40, "no row of its own: from memory"),
    "sausages": Yield(0.80, 0.0, "pork sausage, pan-fried (7064)"),
    "meat-loaf": Yield(0.70, 0.0, "beef meat loaf, baked"),
    "target-only": Yield(0.75, 0.0, "no row: the middle of roasts"),
}
"""By the word of the cut table."""
