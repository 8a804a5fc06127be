"""The report in a real browser: complete, within the page on a phone, and asking for nothing."""

import shutil
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from axe_playwright_python.async_playwright import Axe
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import date2num
from matplotlib.text import Text
from playwright.async_api import async_playwright

from core.driver import BASE
from dustcake_lab.fit.data import Clock, gather
from dustcake_lab.fit.estimate import Interval
from dustcake_lab.report.data import ReportData, cycles_h
from dustcake_lab.report.render import one_picture, write_html, write_png
from dustcake_lab.study.recommendation import PLEATS
from dustcake_lab.study.results import HEADINGS
from dustcake_lab.traces.samples import Columns

DATA = ReportData(
    title="Set points of bay <3>",
    clock=Clock(1_772_409_600.0),
    at=np.linspace(0.0, 3.0, 400),
    low=np.linspace(700.0, 990.0, 400),
    high=np.linspace(710.0, 1000.0, 400),
    set_points_pa={"low": 750.0, "high": 1000.0},
    cleanings=[(0.5, 0.501), (1.5, 1.501)],
    alarms=[(1.0, "high dp")],
    cycle_at=np.array([1.5]),
    cycle_h=np.array([24.0]),
    residual_at=np.array([0.5, 1.5]),
    residual=np.array([733.0, 735.0]),
    residual_pa_per_day=2.0,
    fitted_at=np.zeros(0),
    fitted=np.zeros(0),
    rise=None,
    air_day=np.array([0.5, 1.5, 2.5]),
    air_m3=np.array([1.0, 2.0, 1.5]),
    by_hour=np.ones(24),
    running=np.full(24, 0.5),
    shown=[("today", "on demand"), ("recommended", "timed")],
    what_if=[
        ("today", np.array([0.0, 1.0, 2.0]), np.array([750.0, 1000.0, 800.0])),
        ("recommended", np.array([0.0, 1.0, 2.0]), np.array([750.0, 760.0, 770.0])),
    ],
    energy=[("today", 1700.0, 6.0), ("recommended", 1300.0, 26.0)],
    figures=[
        ("Mean dP", ["867 Pa", "666 Pa"]),
        ("Pulses of each row (they wear filters and valves)", ["828", "1219"]),
        ("Blower hours until filters are due", ["not known", "not known"]),
    ],
    listed=[HEADINGS, ("timed", "1300", "900", "666", "1.10", "9000 to 12000", "as good")],
    text=["Recommended: timed.", "All of this is simulated.", PLEATS],
)


CUT = """
[...document.querySelectorAll('svg text')].filter(text => {
  const edge = text.closest('svg').getBoundingClientRect()
  const box = text.getBoundingClientRect()
  return box.right > edge.right + 1 || box.left < edge.left - 1 || box.bottom > edge.bottom + 1
}).map(text => text.textContent)
"""
COVERED = """
[...document.querySelectorAll('svg')].flatMap(svg => {
  const texts = [...svg.querySelectorAll('text')].map(text => [text.textContent,
    text.getBoundingClientRect()]).filter(([_, box]) => box.width > 0)
  return texts.flatMap(([one, its], n) => texts.slice(n + 1).filter(([_, box]) =>
    box.left < its.right - 1 && box.right > its.left + 1 &&
    box.top < its.bottom - 1 && box.bottom > its.top + 1).map(([other]) => [one, other]))
})
"""
SPILLING = """
[...document.querySelectorAll('section')].filter(section => {
  const edge = section.getBoundingClientRect().right + 1
  const plots = [...section.querySelectorAll('svg')]
  return plots.some(plot => plot.getBoundingClientRect().right > edge)
}).length
"""


@pytest.mark.parametrize("size", [(390, 844), (1280, 800)], ids=["phone", "desk"])
async def test_in_a_browser(tmp_path: Path, size: tuple[int, int]) -> None:
    report = tmp_path / "report.html"
    write_html(DATA, report)
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program is not None, "no Chromium here; on Debian: sudo apt install chromium"
    asked: list[str] = []
    wrong: list[str] = []
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu"]
        )
        page = await browser.new_page(viewport={"width": size[0], "height": size[1]})
        page.on("request", lambda request: asked.append(request.url))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        await page.goto(report.as_uri())
        plots = await page.locator("svg:visible").count()
        text = await page.inner_text("body")
        wide = await page.evaluate("document.documentElement.scrollWidth")
        spilling = await page.evaluate(SPILLING)
        cut = await page.evaluate(CUT)
        covered = await page.evaluate(COVERED)
        problems = (await Axe().run(page)).response["violations"]
        await browser.close()
    assert asked == [report.as_uri()]
    assert wrong == []
    assert plots == 4
    assert [each["id"] for each in problems] == []
    assert wide <= size[0]
    assert spilling == 0
    assert cut == []
    assert covered == []
    for each in ("bay <3>", "2026-03-02 00:00 UTC", "rises by 2.0 Pa a day", "666 Pa", PLEATS):
        assert each in text


def test_the_picture_has_dates_and_legends_that_hide_nothing(tmp_path: Path) -> None:
    figure = one_picture(DATA)
    figure.savefig(tmp_path / "report.png")  # lays it out
    renderer = FigureCanvasAgg(figure).get_renderer()  # type: ignore[no-untyped-call]
    legends = 0
    for axes in figure.axes:
        if (legend := axes.get_legend()) is not None:
            legends += 1
            inside = axes.get_window_extent(renderer)
            box, told = legend.get_window_extent(renderer), axes.get_title(loc="left")
            (title,) = [one for one in axes.findobj(Text) if one.get_text() == told]
            assert box.y0 >= inside.y1 - 1.0
            assert title.get_window_extent(renderer).x1 < box.x0
    assert legends == 3
    dp, unknown = figure.axes[0], one_picture(replace(DATA, clock=Clock(None))).axes[0]
    assert dp.get_xlabel() == "UTC"
    first, last = dp.dataLim.intervalx
    assert first == date2num(np.datetime64("2026-03-02"))  # type: ignore[no-untyped-call]
    assert last - first == pytest.approx(3.0)
    assert unknown.get_xlabel() == "days from the first row"


def test_a_cycle_counts_hours_of_running() -> None:
    """Cleanings at 20:00, 06:00 and 08:00; the blower is off from 22:00 to 06:00."""
    t_s = np.arange(0.0, 34 * 3600.0, 30.0)
    hour = t_s / 3600.0 % 24
    dp_pa = np.where((hour >= 6) & (hour < 22), 800.0, 0.0)
    samples = gather([Columns(t_s, 0.0, dp_pa)], BASE)
    cleaned_s = np.array([20.0, 30.0, 32.0]) * 3600.0
    assert cycles_h(samples, cleaned_s) == pytest.approx([2.0, 2.0], abs=0.02)


def test_a_trace_of_months_in_local_time(tmp_path: Path) -> None:
    """40 days over the night in which clocks go forward: what was recorded at noon UTC on either
    side stands at 13:00 and at 14:00 (summer time: directive 2000/84/EC)."""
    report, png = tmp_path / "report.html", tmp_path / "report.png"
    data = replace(
        DATA,
        clock=Clock(1_774_612_800.0, ZoneInfo("Europe/Berlin")),  # from 2026-03-27T12:00Z on
        alarms=[(0.0, "high dp"), (3.0, "low dp")],
        fitted_at=np.array([0.0, 3.0]),
        fitted=np.array([600.0, 640.0]),
        rise=Interval(97.0, 92.0, 102.0),
        cycle_at=np.array([0.0, 3.0]),
        cycle_h=np.array([1.0, 1.0]),
    )
    write_html(data, report)
    write_png(data, png)
    page = report.read_text(encoding="utf-8")
    assert "from 2026-03-27 13:00 Europe/Berlin" in page
    assert "2026-03-27 13:00:00</td><td>high dp" in page
    assert "2026-03-30 14:00:00</td><td>low dp" in page
    assert "Alarms raised: high dp 1, low dp 1" in page
    assert "<script" not in page
    assert "+97 Pa (+92 to +102) in 1000 hours" in page
    assert "9000 to 12000" in page
    assert png.read_bytes().startswith(b"\x89PNG")


def test_a_trace_without_times_of_day_and_without_cleanings(tmp_path: Path) -> None:
    report = tmp_path / "report.html"
    none = np.zeros(0)
    write_html(
        replace(
            DATA,
            clock=Clock(None),
            cleanings=[],
            alarms=[],
            cycle_at=none,
            cycle_h=none,
            residual_at=none,
            residual=none,
            residual_pa_per_day=None,
        ),
        report,
    )
    page = report.read_text(encoding="utf-8")
    assert "days from the first row" in page
    assert "Too few cleanings to say how residual dP goes." in page
