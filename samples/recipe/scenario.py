"""The demo's story: Runa's quay-loop on the invented island of Tarnholm, builds and dates."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

from twoport import Line

BANDS_HZ = {"40m": 7.10e6, "30m": 10.12e6, "20m": 14.15e6}
LINE = Line(3.0, 0.66, ((1e6, 1.4), (10e6, 4.6), (30e6, 8.5)))
ESR_OHM = 0.020  # at 10 MHz, growing with the root of frequency
MARK = "invented data, made by samples/recipe/make_demo.py"
STORY = (
    "Runa keeps the harbour light at Tarnholm, an invented island, and builds a loop for its quay. "
    "She mends a bolted splice, then enlarges the coupling loop; over the summer the salt air "
    "works on the brazed seams where flux was left under the paint."
)


@dataclass(frozen=True)
class Session:
    """One day's sweeps of one build: which bands, how many of each, what each joint then has."""

    date: str
    joint_ohm: float
    repeats: dict[str, int]
    dated_names: bool = False


@dataclass(frozen=True)
class DemoBuild:
    """One build: its note, its coupling loop, the reason for it, its days of measurement."""

    name: str
    note: str
    coupling_m: float
    bolted: bool
    why: str
    sessions: tuple[Session, ...] = field(default=())


_EACH = {"40m": 3, "30m": 3, "20m": 3}
_SEASON = {"20m": 2, "40m": 1}
_FIRST = DemoBuild(
    name="quay-1",
    note="first version: a short splice at the foot, bolted at both ends; small coupling loop",
    coupling_m=0.26,
    bolted=True,
    why="",
    sessions=(Session("2026-05-03", 0.025, _EACH),),
)
BUILDS = (
    _FIRST,
    replace(
        _FIRST,
        name="quay-2",
        note="the bolted splice is gone: both seams brazed and painted",
        bolted=False,
        why="the bolts ran warm at fifty watts: brazed both ends of the splice",
        sessions=(Session("2026-05-17", 0.001, _EACH),),
    ),
    replace(
        _FIRST,
        name="quay-3",
        note="larger coupling loop, the main loop as it was",
        coupling_m=0.36,
        bolted=False,
        why="under-coupled on every band: a larger coupling loop",
        sessions=(
            Session("2026-06-14", 0.001, _EACH),
            Session("2026-07-12", 0.003, _SEASON, dated_names=True),
            Session("2026-08-09", 0.007, _SEASON, dated_names=True),
            Session("2026-09-06", 0.012, _SEASON, dated_names=True),
            Session("2026-10-04", 0.019, _SEASON, dated_names=True),
        ),
    ),
)

_JOINTS = """
[[parts]]
kind = "joint"
count = 2
position = 0.5
"""


def build_toml(build: DemoBuild) -> str:
    """The build's file: what Runa knows of it."""
    return f"""# {MARK}
name = "{build.name}"
note = "{build.note}"

[loop]
shape = "circle"
circumference = "3.20 m ± 5 mm"
gap = "30 mm"

[conductor]
form = "tube"
diameter = "12 mm"
material = "copper"

[capacitor]
c_min = "12 pF"
c_max = "260 pF"
esr = "20 mohm"
rated_voltage = "3 kV"
turns_per_range = 3.0
{_JOINTS if build.bolted else ""}
[feed]
kind = "coupling-loop"
shape = "circle"
circumference = "{build.coupling_m:.2f} m"
conductor_diameter = "6 mm"
conductor = "bare"
offset = "25 mm"
position = 0.5

[feed.line]
length = "3 m"
velocity_factor = {LINE.velocity_factor}
loss_db_per_100m = [[1e6, 1.4], [10e6, 4.6], [30e6, 8.5]]
z0_ohm = 50
"""


def scenario_toml(sweeps: dict[str, list[str]]) -> str:
    """Builds in order with their sweep files, and the changes between them."""
    lines = [
        f"# {MARK}",
        "invented = true",
        'title = "The quay-loop at Tarnholm"',
        f'story = "{STORY}"',
    ]
    for build in BUILDS:
        names = "".join(f'    "{name}",\n' for name in sweeps[build.name])
        lines += ["", "[[builds]]", f'name = "{build.name}"', f'file = "{build.name}.toml"']
        lines += [f"sweeps = [\n{names}]"]
    for old, new in pairwise(BUILDS):
        lines += ["", "[[changes]]", f'old = "{old.name}"', f'new = "{new.name}"']
        lines += [f'why = "{new.why}"']
    return "\n".join(lines) + "\n"
