"""Build descriptions for the tests: every key once, and a strategy that draws whole files."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

FIVE_LINES = """\
name = "porch-loop"
[loop]
circumference = "3.20 m"
[conductor]
diameter = "12 mm"
"""

WHOLE = """\
name = "porch-loop"
note = "first version"

[loop]
shape = "circle"
circumference = "3.20 m ± 1 cm"
turns = 2
winding = "parallel"
arrangement = "in-plane"
turn_spacing = "40 mm"
gap = "30 mm"
leads = "50 mm"

[conductor]
form = "tube"
diameter = "12 mm ± 0.1 mm"
wall = "1 mm"
material = "copper"
surface_factor = "1.2 ± 0.1"

[capacitor]
c_min = "12 pF"
c_max = "260 pF"
esr = "20 mohm"
rated_voltage = "2 kV"
turns_per_range = 3.0

[[settings]]
name = "one section"
c_max = "130 pF"
turns = 1
parts = ["switch"]

[[settings]]
name = "both"

[[parts]]
kind = "joint"
count = 2
position = 0.25
r = "2 mohm ± 1 mohm"

[[parts]]
kind = "switch"
position = 0.0

[feed]
kind = "coupling-loop"
shape = "square"
circumference = "0.66 m"
conductor_diameter = "6 mm"
conductor = "shielded"
offset = "25 mm"
position = 0.5

[feed.line]
length = "3 m ± 5 cm"
velocity_factor = 0.66
loss_db_per_100m = [[1e6, 1.4], [10e6, 4.6], [30e6, 8.5]]
z0_ohm = 50

[site]
ground = [13, 0.005]
height = "1.5 m"
orientation = "vertical"
gap_at = "top"
surroundings = "balcony"
"""


def with_line(text: str, table: str, line: str) -> str:
    """Return a build's text with one more line at the head of a table."""
    return text.replace(f"[{table}]\n", f"[{table}]\n{line}\n", 1)


def _lengths(low_mm: int, high_mm: int) -> st.SearchStrategy[str]:
    exact = st.integers(low_mm, high_mm).map(lambda mm: f"{mm} mm")
    sure = st.integers(low_mm, high_mm).map(lambda mm: f"{mm / 1000} m ± 0.3 %")
    return exact | sure


_WORDS = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=12).filter(
    lambda word: bool(word.strip())
)


@st.composite
def build_data(draw: st.DrawFn) -> dict[str, Any]:
    """Draw the TOML data of a build that holds."""

    def some(**keys: st.SearchStrategy[Any]) -> dict[str, Any]:
        return {name: draw(values) for name, values in keys.items() if draw(st.booleans())}

    turns = draw(st.integers(1, 3))
    sizes: list[dict[str, Any]] = [
        {"circumference": draw(_lengths(1000, 9000))},
        {"diameter": draw(_lengths(400, 3000))},
        {"shape": "octagon", "side": draw(_lengths(200, 900))},
        {"width": draw(_lengths(500, 2000)), "height": draw(_lengths(500, 2000))},
        {"turn_lengths": draw(st.lists(_lengths(1000, 9000), min_size=turns, max_size=turns))},
    ]
    conductors: list[dict[str, Any]] = [
        {"diameter": draw(_lengths(2, 40))},
        {"awg": draw(st.integers(0, 20))},
        {"form": "strip", "width": "20 mm", "thickness": "0.5 mm"},
        {"form": "braid", "diameter": "8 mm", "material": draw(st.sampled_from(["tin", "brass"]))},
        {"shield_diameter": "8.1 mm", "conductivity": draw(st.floats(1e6, 7e7))},
    ]
    kinds = draw(st.lists(_WORDS, max_size=3))
    c_max = st.integers(100, 900).map(lambda pf: f"{pf} pF")
    settings = draw(st.lists(_WORDS, max_size=3, unique=True))
    data: dict[str, Any] = {
        "name": draw(_WORDS),
        **some(note=st.text(st.characters(blacklist_categories=("Cs",)))),
        "loop": {
            **draw(st.sampled_from(sizes)),
            "turns": turns,
            **some(gap=_lengths(5, 60), leads=_lengths(0, 90), winding=st.just("parallel")),
        },
        "conductor": {
            **draw(st.sampled_from(conductors)),
            **some(surface_factor=st.floats(1, 3) | st.just("1.4 ± 0.2")),
        },
        "settings": [
            {"name": name, **some(c_max=c_max, parts=st.sampled_from([kinds[:1], kinds]))}
            for name in settings
        ],
        "parts": [
            {"kind": kind, **some(count=st.integers(1, 9), position=st.floats(0, 1))}
            for kind in kinds
        ],
        **some(
            capacitor=st.just({"c_min": "12 pF", "turns_per_range": 2.5}),
            feed=st.just(
                {"circumference": "0.6 m", "line": {"length": "3 m", "velocity_factor": 0.66}}
            ),
            site=st.just({"ground": [13.0, 0.005], "height": "1.5 m"}),
        ),
    }
    return data
