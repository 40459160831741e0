"""The description of a build: its file, its changes, the difference of two."""

from sweeplab.builds.build import Build
from sweeplab.builds.components import (
    Capacitor,
    Conductor,
    Feed,
    Loop,
    Part,
    Setting,
    Site,
)
from sweeplab.builds.diff import Change, difference
from sweeplab.builds.materials import MATERIALS, Material
from sweeplab.builds.schema import template

__all__ = [
    "MATERIALS",
    "Build",
    "Capacitor",
    "Change",
    "Conductor",
    "Feed",
    "Loop",
    "Material",
    "Part",
    "Setting",
    "Site",
    "difference",
    "template",
]
