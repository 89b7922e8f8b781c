"""The cut table: what a piece is assumed to be until its cook file says otherwise.

Wrap and tender temperatures are common practice, no source: every one is a default, judged by feel in the end.
Safe minima are the USDA consumer figures (roasts 145 °F with 3 min rest, ground 160 °F, poultry 165 °F) as printed in
the sources listed in tests/data. Shape is the exponent of one-dimensional conduction: 0 slab, 1 cylinder, 2 sphere;
ours, by eye. Thickness grows with the cube root of weight from `thickness` at `weight`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MeatKindWord = Literal["whole-roast", "ground", "poultry", "cured", "other"]

SAFE_ROAST, SAFE_ROAST_RULE = 62.8, "USDA home guidance, with 3 min rest"
SAFE_GROUND, SAFE_GROUND_RULE = 71.1, "USDA home guidance"
SAFE_POULTRY, SAFE_POULTRY_RULE = 73.9, "USDA home guidance"
SAFE_CURED, SAFE_CURED_RULE = 60.0, "USDA home guidance for fully cooked ham from an inspected plant"


@dataclass(frozen=True, slots=True)
class Cut:
    """Temperatures in °C (core), weight in kg, thickness in m, fat in % of raw mass (round figures, no source)."""

    name: str
    kind: MeatKindWord
    weight: float
    thickness: float
    shape: float
    wrap_at: float | None
    tender: tuple[float, float] | None
    target: float | None
    safe_minimum: float
    safe_rule: str
    fat_percent: float | None

    def thickness_at(self, weight: float) -> float:
        """Thinnest dimension of a piece of this cut and weight, m."""
        return self.thickness * float((weight / self.weight) ** (1 / 3))


def _tough(name: str, weight: float, thickness: float, shape: float, wrap: float, low: float, high: float,
           fat: float) -> Cut:  # fmt: skip
    """A whole cut full of connective tissue: cooked well past safe, to tender."""
    return Cut(name, "whole-roast", weight, thickness, shape, wrap, (low, high), None, SAFE_ROAST, SAFE_ROAST_RULE, fat)


def _roast(name: str, weight: float, thickness: float, shape: float, target: float, fat: float) -> Cut:
    """A tender cut: done at a target, no wrap."""
    return Cut(name, "whole-roast", weight, thickness, shape, None, None, target, SAFE_ROAST, SAFE_ROAST_RULE, fat)


def _poultry(name: str, weight: float, thickness: float, shape: float, target: float, fat: float) -> Cut:
    return Cut(name, "poultry", weight, thickness, shape, None, None, target, SAFE_POULTRY, SAFE_POULTRY_RULE, fat)


def _ground(name: str, weight: float, thickness: float) -> Cut:
    return Cut(name, "ground", weight, thickness, 1.0, None, None, SAFE_GROUND, SAFE_GROUND, SAFE_GROUND_RULE, 25.0)


CUTS: dict[str, Cut] = {
    "beef-chuck-roll": _tough("Beef chuck roll", 7.0, 0.150, 0.9, 77.0, 92.0, 97.0, 15.0),
    "beef-chuck-roast": _tough("Beef chuck roast", 1.8, 0.080, 0.8, 74.0, 92.0, 97.0, 15.0),
    "beef-brisket": _tough("Beef brisket, whole", 6.0, 0.100, 0.4, 74.0, 93.0, 97.0, 18.0),
    "beef-brisket-flat": _tough("Beef brisket, flat", 2.7, 0.055, 0.2, 72.0, 93.0, 97.0, 8.0),
    "beef-plate-ribs": _tough("Beef plate ribs", 2.5, 0.060, 0.3, 77.0, 94.0, 98.0, 25.0),
    "beef-shank": _tough("Beef shank", 2.0, 0.090, 1.0, 74.0, 93.0, 97.0, 6.0),
    "beef-cheek": _tough("Beef cheeks", 0.5, 0.050, 1.0, 77.0, 96.0, 99.0, 10.0),
    "beef-rib-roast": _roast("Beef rib roast", 4.0, 0.130, 0.9, 62.8, 20.0),
    "pork-shoulder": _tough("Pork shoulder, bone-in", 4.5, 0.130, 1.1, 74.0, 92.0, 96.0, 17.0),
    "pork-neck": _tough("Pork neck end, boneless", 2.5, 0.100, 1.0, 74.0, 91.0, 96.0, 18.0),
    "pork-ribs": _tough("Pork ribs", 1.3, 0.030, 0.0, 72.0, 90.0, 96.0, 24.0),
    "pork-belly": _tough("Pork belly", 3.0, 0.045, 0.1, 74.0, 91.0, 96.0, 45.0),
    "pork-loin": _roast("Pork loin", 2.5, 0.090, 0.9, 63.0, 9.0),
    "ham-cooked": Cut("Ham, fully cooked", "cured", 5.0, 0.140, 1.1, None, None, 60.0, SAFE_CURED, SAFE_CURED_RULE, 12.0),
    "lamb-shoulder": _tough("Lamb shoulder", 2.4, 0.085, 0.7, 74.0, 90.0, 95.0, 15.0),
    "lamb-leg": _roast("Lamb leg", 2.6, 0.110, 1.1, 63.0, 11.0),
    "lamb-shank": _tough("Lamb shanks", 0.45, 0.055, 1.0, 74.0, 90.0, 95.0, 10.0),
    "mutton-shoulder": _tough("Mutton shoulder", 3.2, 0.095, 0.7, 76.0, 92.0, 96.0, 16.0),
    "goat-shoulder": _tough("Goat shoulder", 2.2, 0.080, 0.7, 74.0, 91.0, 95.0, 7.0),
    "chicken-whole": _poultry("Chicken, whole", 1.8, 0.090, 1.3, 74.0, 12.0),
    "chicken-pieces": _poultry("Chicken pieces", 0.3, 0.040, 0.8, 74.0, 12.0),
    "turkey-whole": _poultry("Turkey, whole", 6.0, 0.140, 1.3, 74.0, 8.0),
    "turkey-breast": _poultry("Turkey breast", 2.0, 0.090, 1.0, 74.0, 3.0),
    "duck-whole": _poultry("Duck, whole", 2.3, 0.095, 1.2, 74.0, 12.0),
    "sausages": _ground("Sausages", 0.15, 0.032),
    "meat-loaf": _ground("Meat loaf", 1.2, 0.080),
    "target-only": Cut("Anything with only a target", "other", 1.0, 0.060, 0.8, None, None, 71.1, SAFE_GROUND,
                       SAFE_GROUND_RULE, None),
}  # fmt: skip
"""By the word used in a cook file."""
