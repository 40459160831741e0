"""Coverage-guided fuzzing, run by hand: whatever the bytes, an answer or one line of refusal.

    pip install atheris
    python tests/fuzz/fuzz.py sweep 600      # or build, archive; seconds

Not part of the test run: atheris is in no extra, and ten minutes say more than the tests have.
libFuzzer's own limits hold: two seconds and 2 GB an input. What is found is written to
``crash-*`` in the folder of work that is printed, where the corpus grows; a second run continues
from it.
"""

from __future__ import annotations

import io
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["sweeplab"]):
    from sweeplab.files.outcome import _slice_results

    from sweeplab.builds import Build
    from sweeplab.errors import BuildError, ReadError
    from sweeplab.files import archive, sweep_from_bytes
    from sweeplab.files.table.multi_sweep import MultipleSweepsError
    from sweeplab.files.text.decode import RawFile
    from sweeplab.files.text.reader_protocol import ReadOptions

HERE = Path(__file__).parent
SPELLINGS = HERE.parent / "dialects" / "spellings"
SUFFIXES = ["a.s1p", "a.s2p", "a.s4p", "a.ts", "a.csv", "a.txt"]
WORK = Path(tempfile.gettempdir()) / "sweeplab-fuzz"


def one_line(error: Exception) -> None:
    """A refusal is one line that says what to do."""
    text = str(error)
    assert text.count("; ") >= 1, text
    assert len(text.splitlines()) == 1, text


def sweep(data: bytes) -> None:
    """The first byte chooses the name, the rest is the file."""
    name = SUFFIXES[data[0] % len(SUFFIXES)] if data else SUFFIXES[0]
    try:
        found = [sweep_from_bytes(data[1:], name)]
    except MultipleSweepsError as found_slices:
        answers = _slice_results(found_slices, RawFile(data[1:], name), ReadOptions())
        found = [result.sweep for result in answers if result.sweep is not None]
    except ReadError as error:
        one_line(error)
        return
    for got in found:
        assert (abs(got.gamma) >= 0).all()
        assert all(finding.text and finding.action for finding in got.findings)


def build(data: bytes) -> None:
    """A build's file; the text of what was understood is understood again."""
    try:
        got = Build.from_toml(data.decode("utf-8", "replace"), path="a.toml")
    except BuildError as error:
        one_line(error)
        return
    again = Build.from_toml(got.to_toml())
    assert again.describe() == got.describe()


def archived(data: bytes) -> None:
    """A zip archive."""
    path = WORK / "a.zip"
    path.write_bytes(data)
    try:
        names = archive.members(str(path))
    except ReadError as error:
        one_line(error)
        return
    for name in names:
        try:
            archive.read_member(str(path), name)
        except ReadError as error:
            one_line(error)


def sweep_seeds() -> list[bytes]:
    """Every spelling of the dialects, under the name that fits."""
    return [
        bytes([next((k for k, s in enumerate(SUFFIXES) if s[1:] == file.suffix.lower()), 5)])
        + file.read_bytes()
        for file in sorted(SPELLINGS.iterdir())
    ]


def build_seeds() -> list[bytes]:
    """The template and the demo's builds."""
    from sweeplab.builds import template

    demo = sorted((HERE.parents[1] / "samples" / "demo").glob("*.toml"))
    return [template().encode(), *(file.read_bytes() for file in demo)]


def archive_seeds() -> list[bytes]:
    """Two small archives."""
    seeds = []
    for way in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        data = io.BytesIO()
        with zipfile.ZipFile(data, "w", way) as file:
            file.writestr("a.s1p", "# MHz S RI R 50\n7 0 0\n")
            file.writestr("in/b.csv", "MHz,re,im\n7,0,0\n" * 9)
        seeds.append(data.getvalue())
    return seeds


TARGETS: dict[str, tuple[Callable[[bytes], None], Callable[[], list[bytes]]]] = {
    "sweep": (sweep, sweep_seeds),
    "build": (build, build_seeds),
    "archive": (archived, archive_seeds),
}


def main() -> None:
    """Fuzz one target for so many seconds."""
    target, seconds = sys.argv[1], int(sys.argv[2])
    test, seeds = TARGETS[target]
    corpus = WORK / target
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    for seed_file in sorted((HERE / "seeds" / target).glob("*")):
        (corpus / seed_file.name).write_bytes(seed_file.read_bytes())
    print(f"corpus and crashes: {WORK}")
    limits = [f"-max_total_time={seconds}", "-timeout=2", "-rss_limit_mb=2048", "-max_len=16384"]
    words = f"-dict={HERE / 'words.dict'}"
    more = sys.argv[3:]
    argv = [sys.argv[0], str(corpus), words, f"-artifact_prefix={WORK}/", *limits, *more]
    atheris.Setup(argv, test)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
