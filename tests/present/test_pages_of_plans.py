"""Pages of a plan, line by line, for figures made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console, RenderableType

from sweeplab.estimate import Estimate
from sweeplab.planning.band import BandFigures
from sweeplab.planning.coupling import CommonPlacement, CouplingMatch
from sweeplab.planning.cut_list import Allowance, Mast, Piece
from sweeplab.planning.result import BandPlan, Plan
from sweeplab.planning.safety import Distances, ElectricalStress
from sweeplab.planning.stock import StockBand, StockLoop
from sweeplab.present import plan as pages


def exact(value: float) -> Estimate:
    return Estimate.normal(value, 0.0)


FIGURES = BandFigures(
    f_hz=7.1e6,
    c_required_f=exact(120e-12),
    efficiency=Estimate(0.25, 0.03, 0.19, 0.32),
    q_unloaded=exact(512.4),
    bandwidth_hz=exact(25e3),
    r_radiation_ohm=exact(0.0072),
    r_conductor_ohm=exact(0.043),
    r_parts_ohm=exact(0.0),
    r_total_ohm=exact(0.05),
    x_loop_ohm=exact(130.0),
    x_eff_ohm=exact(128.0),
    per_100w=ElectricalStress(100.0, exact(8200.0), exact(45.0)),
)
BAND = BandPlan("40m", 7.1e6, reachable=True, figures=FIGURES)
PLAN = Plan(
    build="quay-1",
    circumference_m=3.2,
    bands=(BAND,),
    tuning_range_hz=(6.5e6, 22.4e6),
    conductor_length_m=3.15,
    conductor_mass_kg=1.94,
    power_w=None,
    findings=(),
    not_described={},
)


def lines(page: RenderableType) -> list[str]:
    console = Console(width=80)
    with console.capture() as shown:
        console.print(page)
    return [line.rstrip() for line in shown.get().splitlines()]


def cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.split("  ") if cell.strip()]


def page(planned: Plan, *tables: RenderableType) -> list[str]:
    return lines(pages.plan_page(planned, tables))


def row_after(shown: list[str], heading: str, nth: int = 1) -> list[str]:
    (at,) = (i for i, line in enumerate(shown) if line.startswith(heading))
    return cells(shown[at + nth])


class TestHead:
    def test_names_turn_conductor_mass_and_range(self) -> None:
        shown = page(PLAN)
        assert shown[0] == "quay-1  planned, turn 3.20 m, conductor 3.15 m, 1.9 kg"
        assert shown[1] == "The capacitor tunes 6.5 to 22.4 MHz."

    def test_leaves_out_what_is_not_known(self) -> None:
        shown = page(replace(PLAN, conductor_mass_kg=None, tuning_range_hz=None))
        assert shown[:2] == ["quay-1  planned, turn 3.20 m, conductor 3.15 m", ""]

    def test_says_that_no_band_is_within_reach_and_shows_no_table(self) -> None:
        shown = page(replace(PLAN, bands=()))
        assert shown[2] == "No amateur band lies within the capacitor's range."
        assert not any(line.startswith(("band", "Bandwidth:")) for line in shown)
        assert "No amateur band" not in "".join(page(PLAN))


class TestExpected:
    def test_is_a_row_a_band(self) -> None:
        assert row_after(page(PLAN), "band  MHz") == [
            "40m", "7.10", "120 pF", "25 %", "19-32", "512", "25 kHz", "7.2 mohm", "43 mohm",
        ]  # fmt: skip

    @pytest.mark.parametrize(("reachable", "marked"), [(True, 0), (None, 0), (False, 1)])
    def test_marks_what_the_capacitor_does_not_reach(
        self, reachable: bool | None, marked: int
    ) -> None:
        shown = page(replace(PLAN, bands=(replace(BAND, reachable=reachable),)))
        assert row_after(shown, "band  MHz")[2] == "120 pF" + " !" * marked

    def test_a_band_without_an_answer_says_so_and_asks_nothing_of_the_parts(self) -> None:
        shown = page(replace(PLAN, bands=(BandPlan("10m", 28.85e6, None), BAND)))
        assert row_after(shown, "band  MHz") == ["10m", "28.85", "no answer"]
        assert row_after(shown, "band  V/100 W")[0] == "40m"


class TestDemands:
    def test_are_volts_amperes_coupling_loop_and_tuning(self) -> None:
        band = replace(BAND, coupling=CouplingMatch(exact(0.64)), tuning_hz_per_degree=50e3)
        assert row_after(page(replace(PLAN, bands=(band,))), "band  V/100 W") == [
            "40m", "8.2 kV", "45 A", "0.64 m", "50000", "2",
        ]  # fmt: skip

    def test_show_a_dash_for_what_is_not_known(self) -> None:
        assert row_after(page(PLAN), "band  V/100 W")[-3:] == ["-", "-", "-"]
        band = replace(BAND, coupling=CouplingMatch(None))
        shown = page(replace(PLAN, bands=(band,)))
        assert row_after(shown, "band  V/100 W")[-3:] == ["-", "-", "-"]


class TestCouplingLoopDescribed:
    match = CouplingMatch(None, exact(0.6), exact(1.7), Estimate.normal(0.12, 0.01), None)

    def test_is_a_row_a_band(self) -> None:
        shown = page(replace(PLAN, bands=(replace(BAND, coupling=self.match),)))
        assert row_after(shown, "band  SWR as is") == ["40m", "1.7", "0.120 ± 0.010 m", "-"]
        turned = replace(self.match, offset_m=None, tilt_deg=Estimate.normal(31.0, 4.0))
        shown = page(replace(PLAN, bands=(replace(BAND, coupling=turned),)))
        assert row_after(shown, "band  SWR as is") == ["40m", "1.7", "-", "31 ± 4 degrees"]

    @pytest.mark.parametrize("coupling", [None, CouplingMatch(exact(0.64))])
    def test_is_left_out_where_none_is(self, coupling: CouplingMatch | None) -> None:
        shown = "\n".join(page(replace(PLAN, bands=(replace(BAND, coupling=coupling),))))
        assert "coupling loop described" not in shown

    @pytest.mark.parametrize(
        ("offset_m", "tilt_deg", "where"),
        [
            (None, None, "as described"),
            (Estimate.normal(0.12, 0.01), None, "at 0.120 ± 0.010 m"),
            (None, Estimate.normal(31.0, 4.0), "turned by 31 ± 4 degrees"),
        ],
    )
    def test_has_one_best_place_for_all_bands(
        self, offset_m: Estimate | None, tilt_deg: Estimate | None, where: str
    ) -> None:
        place = CommonPlacement(offset_m, tilt_deg, Estimate.normal(2.4, 0.2))
        planned = replace(PLAN, bands=(replace(BAND, coupling=self.match),), coupling_for_all=place)
        said = f"Left alone for all of them, best {where}: SWR up to 2.40 ± 0.20."
        assert said in " ".join(page(planned))
        alone = replace(planned, coupling_for_all=None)
        assert "Left alone" not in " ".join(page(alone))


class TestUnderPower:
    near = Distances(0.073, 28.0, exact(1.5), exact(2.1), None, exact(3.3))
    stress = ElectricalStress(400.0, exact(16400.0), exact(90.0))

    def test_is_a_row_a_band(self) -> None:
        band = replace(BAND, at_power=self.stress, distances=self.near)
        shown = page(replace(PLAN, bands=(BAND, band), power_w=400.0))
        assert row_after(shown, "band  V peak") == [
            "40m", "16 kV", "90 A", "1.5 m", "2.1 m", "-", "3.3 m",
        ]  # fmt: skip
        (heading,) = (line for line in shown if line.startswith("At 400 W"))
        assert heading.startswith("At 400 W: volts, amperes; estimated distance")

    def test_is_left_out_where_no_power_is_given(self) -> None:
        assert not any(line.startswith("At ") for line in page(PLAN))

    @pytest.mark.parametrize("missing", ["at_power", "distances"])
    def test_leaves_out_a_band_without_them(self, missing: str) -> None:
        band = replace(BAND, **{"at_power": self.stress, "distances": self.near, missing: None})
        shown = page(replace(PLAN, bands=(band,), power_w=400.0))
        assert row_after(shown, "band  V peak") == []


class TestSizes:
    def test_are_efficiencies_by_turn_and_band_in_rising_frequency(self) -> None:
        high = replace(BAND, band="20m", figures=replace(FIGURES, efficiency=exact(0.8)))
        small = replace(PLAN, circumference_m=2.0, bands=(high,))
        large = replace(PLAN, bands=(high, BAND, replace(BAND, band="80m", reachable=False)))
        shown = lines(pages.sizes_table([small, large]))
        assert cells(shown[1]) == ["turn", "80m", "40m", "20m"]
        assert cells(shown[2]) == ["2.00 m", "-", "-", "80 %"]
        assert cells(shown[3]) == ["3.20 m", "-", "25 %", "80 %"]

    def test_a_band_without_an_answer_is_a_dash(self) -> None:
        none = replace(BAND, band="20m", figures=None, reachable=None)
        shown = lines(pages.sizes_table([replace(PLAN, bands=(BAND, none))]))
        assert cells(shown[2]) == ["3.20 m", "25 %", "-"]

    def test_nine_bands_are_one_table_and_ten_are_two(self) -> None:
        names = ("160m", "80m", "60m", "40m", "30m", "20m", "17m", "15m", "12m", "10m")
        bands = tuple(replace(BAND, band=name) for name in names)
        for count, heads in ((9, [9]), (10, [9, 1])):
            shown = lines(pages.sizes_table([replace(PLAN, bands=bands[:count])]))
            rows = [cells(line)[1:] for line in shown if line.startswith("turn")]
            assert [len(row) for row in rows] == heads
            assert [name for row in rows for name in row] == list(names[:count])

    def test_a_turn_without_figures_in_a_table_has_no_row_there(self) -> None:
        names = ("160m", "80m", "60m", "40m", "30m", "20m", "17m", "15m", "12m", "10m")
        wide = replace(PLAN, bands=tuple(replace(BAND, band=name) for name in names))
        low = replace(PLAN, circumference_m=9.0, bands=(replace(BAND, band="80m"),))
        shown = lines(pages.sizes_table([wide, low]))
        assert sum(line.startswith("9.00 m") for line in shown) == 1
        assert sum(line.startswith("3.20 m") for line in shown) == 2


class TestStock:
    band = StockBand("40m", 7.1e6, exact(0.25), exact(0.27), Estimate(0.02, 0.01, 0.01, 0.04))
    loop = StockLoop((2.0, 1.5), 3.45, Estimate(0.001, 0.0, 0.0005, 0.002), (band,))

    def test_shows_pieces_turn_efficiency_and_what_the_joint_takes(self) -> None:
        shown = lines(pages.stock_table([self.loop]))
        assert cells(shown[1]) == ["pieces m", "turn", "40m"]
        assert cells(shown[2]) == ["2.00+1.50", "3.45 m", "25 %"]
        assert cells(shown[3]) == ["-1..4 %"]
        assert shown[4].startswith("Joint assumed: 1.0 mohm at 10 MHz (500 µohm to 2.0 mohm).")

    def test_a_joint_known_exactly_has_one_cost_and_no_range(self) -> None:
        band = replace(self.band, joint_cost=exact(0.03))
        shown = lines(
            pages.stock_table([replace(self.loop, joint_ohm=exact(0.001), bands=(band,))])
        )
        assert cells(shown[3]) == ["-3 %"]
        assert shown[4].startswith("Joint assumed: 1.0 mohm at 10 MHz. ")

    def test_without_a_joint_nothing_is_said_of_one(self) -> None:
        shown = lines(pages.stock_table([replace(self.loop, pieces_m=(3.5,), joint_ohm=None)]))
        assert cells(shown[2]) == ["3.50", "3.45 m", "25 %"]
        assert len(shown) == 3

    def test_five_bands_are_one_table_and_six_are_two(self) -> None:
        names = ("160m", "80m", "60m", "40m", "30m", "20m")
        bands = tuple(replace(self.band, band=name) for name in names)
        for count, tables in ((5, 1), (6, 2)):
            shown = lines(pages.stock_table([replace(self.loop, bands=bands[:count])]))
            assert sum(line.startswith("pieces m") for line in shown) == tables


def test_a_cut_list_adds_the_allowances() -> None:
    pieces = [
        Piece("turn 1", 3.2, (Allowance("lugs", 0.04), Allowance("box", 0.1))),
        Piece("coupling loop", 0.64),
    ]
    shown = lines(pages.cut_table(pieces))
    assert shown[0] == "Cut list"
    assert cells(shown[2]) == ["turn 1", "3.200 m", "lugs 40.0 mm, box 0.100 m", "3.340 m"]
    assert cells(shown[3]) == ["coupling loop", "0.6400 m", "none", "0.6400 m"]


def test_the_masts_loads_are_a_sentence() -> None:
    mast = Mast(1.5, 19.0, 42.0, 85.0)
    said = " ".join(lines(pages.mast_line(mast)))
    assert said.startswith(
        "Mast of 1.50 m: conductor's weight 19 N; at 25 m/s of wind about 42 N on it, 85 N m at "
    )
    assert "weight not known;" in " ".join(lines(pages.mast_line(replace(mast, weight_n=None))))


def test_tables_come_between_the_figures_and_the_findings() -> None:
    assert "Cut list" in page(PLAN, pages.cut_table([Piece("turn 1", 3.2)]))


class TestPlot:
    def test_shows_percent_over_megahertz_with_both_ends(self) -> None:
        sheet = pages.plan_sheet([PLAN])
        (ax,) = sheet.axes
        (bars,) = ax.containers
        ((x, low), (_, high)) = bars.lines[2][0].get_segments()[0]
        assert (x, low, high) == pytest.approx((7.1, 19.0, 32.0))
        np.testing.assert_allclose(bars.lines[0].get_xydata(), [[7.1, 25.0]])
        assert ax.get_ylim() == (0, 100)
        assert (ax.get_xlabel(), ax.get_ylabel()) == ("frequency (MHz)", "expected efficiency (%)")
        assert ax.get_title(loc="left").startswith("quay-1: as in free space")
        assert list(sheet.get_size_inches()) == [6.4, 4.0]

    def test_has_a_line_a_turn_of_another_mark_and_leaves_out_what_has_no_answer(self) -> None:
        none = replace(BAND, figures=None)
        plans = [
            replace(PLAN, bands=(none,)),
            replace(PLAN, bands=(none, BAND)),
            replace(PLAN, circumference_m=4.0),
        ]
        (ax,) = pages.plan_sheet(plans).axes
        assert [bars.get_label() for bars in ax.containers] == ["3.20 m", "4.00 m"]
        first, second = (bars.lines[0] for bars in ax.containers)
        assert first.get_marker() != second.get_marker()
        assert ax.get_legend().get_title().get_text() == "turn"

    def test_without_any_answer_has_no_legend(self) -> None:
        (ax,) = pages.plan_sheet([replace(PLAN, bands=(replace(BAND, figures=None),))]).axes
        assert ax.get_legend() is None
