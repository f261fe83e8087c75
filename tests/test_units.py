"""Figures in sentences, read by one grammar and shown in the units that a person chose.

Expected values by hand from NIST SP 811, B.8: 25.4 mm = 1 in, 28.349523125 g = 1 oz,
t/degF = 1.8 t/degC + 32.
"""

from __future__ import annotations

import pytest

from evenwall.units import shown

SENTENCES = (
    ("Weigh 63.8 g of part A.", "Weigh 63.8 g of part A.", "Weigh 2.250 oz of part A."),
    ("4.22 +- 0.05 mm", "4.22 ± 0.05 mm", "0.1661 ± 0.0020 in"),
    ("within the 3.9 to 4.6 mm foreseen", "within the 3.9 to 4.6 mm foreseen",
     "within the 0.154 to 0.181 in foreseen"),
    ("The probe reads 21.0 degC.", "The probe reads 21.0 °C.", "The probe reads 69.8 °F."),
    ("21.0 +- 0.5 degC", "21.0 ± 0.5 °C", "69.8 ± 0.9 °F"),
    ("The shop is 5 K colder than 23 degC.", "The shop is 5 K colder than 23 °C.",
     "The shop is 9 °F colder than 73 °F."),
    ("574 cm2 of skin, 1,250 g, 3.2 kg", "574 cm² of skin, 1,250 g, 3.2 kg",
     "89.0 sq in of skin, 44.09 oz, 7.1 lb"),
    ("near [12.0, -3.5, 40.1] mm", "near [12.0, -3.5, 40.1] mm",
     "near [0.472, -0.138, 1.579] in"),
    ("a cup of 600 ml", "a cup of 600 ml", "a cup of 20.3 fl oz"),
    ("a wall of 4.064 mm, 277.83 g", "a wall of 4.064 mm, 277.83 g",
     "a wall of 0.1600 in, 9.800 oz"),
    ("presses with 3.5 kPa", "presses with 3.5 kPa", "presses with 0.51 psi"),
    ("-4 degC", "-4 °C", "25 °F"),
)  # fmt: skip
# Not figures of these units: ratios, rates, densities, words.
PLAIN = ("1.08 g/cm3", "turns at 12.5 rpm", "coat 2 of 3", "3.2 good places", "run 20260104-1 gels")


@pytest.mark.parametrize(("said", "metric", "inch"), SENTENCES)
def test_a_sentence_is_shown_in_either_system(said: str, metric: str, inch: str) -> None:
    assert shown(said).replace("\u00a0", " ") == metric
    assert shown(said, "inch").replace("\u00a0", " ") == inch


@pytest.mark.parametrize("said", PLAIN)
def test_what_is_no_figure_stays(said: str) -> None:
    assert shown(said) == shown(said, "inch") == said
