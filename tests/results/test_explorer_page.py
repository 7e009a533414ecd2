"""The explorer in a real browser: pointer, keys, brushing, names, contrast, and no requests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from arrayopt.results.read import Reading, read_run
from arrayopt.results.report.designs import choose
from arrayopt.results.report.page import report_html
from tests.support.chromium import Browser, browser, programs
from tests.support.small_runs import runs

pytestmark = pytest.mark.skipif(
    programs() is None, reason="Chromium and chromedriver (Debian: chromium chromium-driver) needed"
)

DESKTOP, TABLET = (1280, 900), (820, 1180)

# Text against what is painted behind it, by WCAG 2.1: the lowest ratio and where it is.
CONTRAST = """
const parse = (c) => [...c.match(/[\\d.]+/g).map(Number), 1].slice(0, 4);
const linear = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
const light = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
const behind = (e) => {
  for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor);
    if (c[3] > 0) return c;
  }
  return [255, 255, 255, 1];
};
let worst = [99, ""];
for (const e of document.querySelectorAll("body *")) {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  if (!own || e.closest("script, style, noscript, .skip")) continue;
  if (e.disabled || !e.getClientRects().length) continue;
  const style = getComputedStyle(e);
  const ink = parse(e instanceof SVGElement ? style.fill : style.color);
  const [a, b] = [light(ink), light(behind(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  if (ratio < worst[0]) worst = [ratio, e.outerHTML.slice(0, 120)];
}
return worst;
"""


@pytest.fixture(scope="module")
def reading() -> Reading:
    return read_run(runs()[2])


@pytest.fixture(scope="module")
def page(reading: Reading, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(report_html(reading, choose(reading)[:1]), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browser(tmp_path_factory.mktemp("browser")) as opened:
        opened.open("data:text/html,<title>empty</title>")
        opened.requests()  # what the browser's own start page asked for
        opened.console()
        yield opened


@pytest.fixture
def shown(session: Browser, page: Path) -> Iterator[Browser]:
    """The page, freshly opened at desktop size; afterwards nothing may have gone wrong in it."""
    session.size(*DESKTOP)
    session.open(page.as_uri())
    yield session
    assert session.console() == []
    asked = [address for address in session.requests() if not address.startswith("data:")]
    assert asked == [page.as_uri()]


def total(reading: Reading) -> int:
    return sum(front.sizes["design"] for front in reading.fronts.values())


def text(shown: Browser, selector: str) -> str:
    return str(shown.run("return document.querySelector(arguments[0]).textContent", selector))


def focus(shown: Browser, selector: str) -> None:
    shown.run("document.querySelector(arguments[0]).focus()", selector)


def middle(shown: Browser, selector: str) -> tuple[float, float]:
    """Centre of an element in the window, scrolled into view."""
    place = shown.run(
        "const e = document.querySelector(arguments[0]); e.scrollIntoView({block: 'center'});"
        "const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2];",
        selector,
    )
    return float(place[0]), float(place[1])


def test_every_member_is_drawn_and_listed(shown: Browser, reading: Reading) -> None:
    count = total(reading)
    assert len(shown.find("#x-scatter [data-design]")) == count
    assert len(shown.find("#x-list option")) == count
    assert text(shown, "#x-status").startswith(f"{count} of {count} designs")


def test_click_picks_a_design_and_gives_its_commands(shown: Browser, reading: Reading) -> None:
    # of designs drawn upon one another, the one on top is drawn last
    last = total(reading) - 1
    place = middle(shown, f'#x-scatter [data-design="{last}"]')
    shown.drag(place, place)
    picked = text(shown, "#x-pick-title").removeprefix("Picked: ")
    strategy, number = picked.rsplit("/", 1)
    assert int(number) in reading.fronts[strategy]["evaluation"].values
    commands = text(shown, "#x-commands").splitlines()
    assert commands[0] == f"arrayopt verify {reading.path} {picked}"
    assert commands[1] == f"arrayopt export {reading.path} {picked} --to OUT"
    assert picked in text(shown, "#x-response-title")
    assert picked in text(shown, "#x-map-title")
    circles = len(shown.find("#x-map circle"))
    cells = reading.fronts[strategy].sizes["cell"]
    assert circles >= 2 * cells


def test_table_shows_the_stored_values(shown: Browser, reading: Reading) -> None:
    name = "uniform-nonlinear"
    front = reading.fronts[name].isel(design=0)
    shown.run(
        "const l = document.getElementById('x-list'); l.value = '0';"
        "l.dispatchEvent(new Event('change'));"
    )
    rows = dict(
        shown.run(
            "return [...document.querySelectorAll('#x-table tbody tr')]"
            ".map((r) => [r.cells[0].textContent, r.cells[1].textContent])"
        )
    )
    assert text(shown, "#x-pick-title") == f"Picked: {name}/{int(front['evaluation'])}"
    # four digits are shown
    assert float(rows["onset voltage (V)"]) == pytest.approx(
        float(front["onset_voltage"]), rel=5e-4
    )
    band = 100 * float(front["fractional_bandwidth"])
    assert float(rows["fractional bandwidth (%)"]) == pytest.approx(band, rel=5e-4)


def test_keys_walk_through_the_scatter_and_pin(shown: Browser) -> None:
    focus(shown, "#x-scatter")
    shown.press("Home")
    first = text(shown, "#x-pick-title")
    shown.press("Enter", "End")
    last = text(shown, "#x-pick-title")
    assert first != last
    assert "beside" in text(shown, "#x-response-title")
    head = shown.run(
        "return [...document.querySelectorAll('#x-table thead th')].map((c) => c.textContent)"
    )
    assert head[1] == last.removeprefix("Picked: ")
    assert head[2] == first.removeprefix("Picked: ") + " (pinned)"
    shown.press("ArrowLeft")
    assert text(shown, "#x-pick-title") != last
    shown.click("#x-unpin")
    assert "beside" not in text(shown, "#x-response-title")


def test_brushing_by_keys_keeps_what_lies_inside(shown: Browser, reading: Reading) -> None:
    focus(shown, '[data-handle="0-0"]')  # smallest fractional bandwidth
    shown.press("PageUp", "PageUp", "PageUp")
    low = float(
        shown.run("return document.activeElement.getAttribute('aria-valuenow')")
    )  # the focus has stayed though the picture was drawn anew
    expected = sum(
        int((100 * front["fractional_bandwidth"] >= low).sum()) for front in reading.fronts.values()
    )
    assert 0 < expected < total(reading)
    assert len(shown.find("#x-list option")) == expected
    assert text(shown, "#x-status").startswith(f"{expected} of {total(reading)} designs")
    faint = shown.run("return document.querySelectorAll('#x-scatter [opacity]').length")
    assert faint == total(reading) - expected
    shown.click("#x-clear")
    assert len(shown.find("#x-list option")) == total(reading)


def test_brushing_by_pointer(shown: Browser, reading: Reading) -> None:
    x, y = middle(shown, '[data-handle="1-1"] rect')  # largest onset voltage
    shown.drag((x, y), (x, y + 100))
    assert 0 < len(shown.find("#x-list option")) < total(reading)


def test_strategies_can_be_hidden(shown: Browser, reading: Reading) -> None:
    shown.click("#x-strategies label:first-child input")
    gone = next(iter(reading.fronts.values())).sizes["design"]
    assert len(shown.find("#x-list option")) == total(reading) - gone


def test_other_axes(shown: Browser) -> None:
    shown.run(
        "const s = document.getElementById('x-x');"
        "s.value = [...s.options].find((o) => o.text.startsWith('centre frequency')).value;"
        "s.dispatchEvent(new Event('change'));"
    )
    assert text(shown, "#x-scatter-title").endswith("against centre frequency (kHz)")
    before = len(shown.find("#x-parallel [role=slider]"))
    shown.click("#x-add")
    assert len(shown.find("#x-parallel [role=slider]")) == before + 2
    shown.click("#x-remove")
    assert len(shown.find("#x-parallel [role=slider]")) == before


def test_everything_that_takes_focus_has_a_name(shown: Browser) -> None:
    elements = shown.find("#x-app [tabindex='0'], #x-app select, #x-app button, #x-app input")
    assert len(elements) > 20
    for element in elements:
        assert shown.name(element).strip(), shown.role(element)
    roles = {shown.role(e) for e in shown.find("#x-parallel [data-handle]")}
    assert roles == {"slider"}
    pictures = shown.find("svg[role=img]")
    assert pictures
    assert all(shown.name(e).strip() for e in pictures)


def test_tab_reaches_every_control(shown: Browser) -> None:
    focus(shown, "#x-x")
    reached = set()
    for _ in range(60):
        reached.add(
            shown.run(
                "const e = document.activeElement; return e.id || e.dataset.handle || e.type || ''"
            )
        )
        shown.press("Tab")
    assert {"x-y", "checkbox", "x-clear", "x-scatter", "x-list", "0-0", "0-1"} <= reached


@pytest.mark.parametrize("size", [DESKTOP, TABLET], ids=["desktop", "tablet"])
def test_fits_and_reads_at_width(shown: Browser, size: tuple[int, int]) -> None:
    shown.size(*size)
    focus(shown, "#x-scatter")
    shown.press("Home", "Enter", "End")
    wide = shown.run("return [document.documentElement.scrollWidth, innerWidth]")
    assert wide[0] <= wide[1]
    # WCAG 2.1, 1.4.3: 4.5 to 1 for text
    ratio, where = shown.run(CONTRAST)
    assert ratio >= 4.5, where
    # letters of the explorer's pictures on the screen [px]
    smallest = shown.run(
        "return Math.min(...[...document.querySelectorAll('#x-app svg text')].map((t) =>"
        " t.getCTM().a * parseFloat(getComputedStyle(t).fontSize) || 99))"
    )
    assert smallest >= 9.0
    overlapping = shown.run(
        "const b = [...document.querySelectorAll('#x-parallel text')]"
        ".filter((t) => t.firstElementChild).map((t) => t.getBoundingClientRect());"
        "return b.some((r, i) => i > 0 && r.left < b[i - 1].right)"
    )
    assert not overlapping


def test_prints_without_the_explorer(shown: Browser, tmp_path: Path) -> None:
    shown.cdp("Emulation.setEmulatedMedia", media="print")
    hidden = shown.run("return getComputedStyle(document.getElementById('explore')).display")
    shown.cdp("Emulation.setEmulatedMedia", media="")
    assert hidden == "none"
    shown.print_pdf(tmp_path / "page.pdf")
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
