"""The template: a build's file with every key, which is valid as it is."""

from __future__ import annotations

import tomllib

from build_samples import WHOLE

from sweeplab.builds import Build, template
from sweeplab.builds.schema_tables import TABLES


def test_the_template_reads_as_it_stands_and_every_key_is_in_it() -> None:
    text = template()
    build = Build.from_toml(text)
    assert build.loop.circumference.u_given
    assert build.site is not None
    blocks = {
        block.split("]")[0].strip("[") if block.startswith("[") else "": block
        for block in text.split("\n\n")
    }
    for table in TABLES:
        for key in table.keys:
            assert any(
                line.removeprefix("# ").startswith(f"{key.name} = ")
                for line in blocks[table.name].splitlines()
            ), (table.name, key.name)


def test_every_example_is_toml_and_every_line_says_what_it_is_for() -> None:
    for line in filter(None, template().splitlines()):
        assert " # " in line or line == "", line
        assert len(line) <= 110
    for table in TABLES:
        for key in table.keys:
            assert tomllib.loads(f"value = {key.example}")


def test_commented_lines_work_once_uncommented() -> None:
    for line, alternative in [
        ('# diameter = "1.02 m"', "circumference = "),
        ('# esr = "20 mohm"', ""),
        ("# turns_per_range = 3.0", ""),
        ('# turn_spacing = "40 mm"', ""),
        ('# wall = "1 mm"', ""),
        ('# conductivity = "58 MS/m ± 1 MS/m"', ""),
        ('# r = "2 mohm"', ""),
    ]:
        text = template()
        if alternative:
            text = text.replace(alternative, f"# {alternative}", 1)
        assert line in text
        before = Build.from_toml(template()).describe()
        assert Build.from_toml(text.replace(line, line[2:], 1)).describe() != before


def test_a_file_in_the_tests_uses_every_table() -> None:
    parsed = tomllib.loads(WHOLE)
    assert {table.name.split(".")[0] for table in TABLES if table.name} <= set(parsed)
