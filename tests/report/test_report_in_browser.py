"""The report in a real browser without a screen, through its driver: W3C, WebDriver."""

from __future__ import annotations

import base64
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer import load_routine, read_trace
from sequencer.check import examine
from sequencer.rehearse import rehearse
from sequencer.report.further_sections import coverage_section, drill_section, spread_section, tuning_section
from sequencer.report.page import Section
from sequencer.report.routine_page import Reported, routines_page
from sequencer.study import Drill, Spread
from sequencer.tune.timing import timing_of

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")

pytestmark = pytest.mark.skipif(
    CHROMIUM is None or DRIVER is None, reason="no chromium with chromedriver on this machine"
)

LANTERN = Path(__file__).parents[2] / "demos" / "lantern"

SMALLEST = 9.0
"""Text smaller than this [px] is not called legible."""

SIZES = {"a laptop": (1280, 800), "a phone": (375, 740)}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    webdriver = pytest.importorskip("selenium.webdriver")
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for word in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        f"--user-data-dir={tmp_path_factory.mktemp('browser')}",
    ):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A report with every section that there is."""
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(routines_page([replace(_reported("hang_ridge"), more=_further())]), encoding="utf-8")
    return path.as_uri()


def _further() -> list[Section]:
    """A drill of two faults, a spread of some runs, what the demo's logs tell, and what tests have met."""
    routine = load_routine(LANTERN / "hang_ridge.routine.yaml")
    checked = examine(routine).checked
    assert checked is not None
    drill = Drill(
        checked,
        machine=routine.machine,
        specs=routine.rehearsals[:1],
        choose=lambda fault: fault.words in ("cancel", "wrist: encoder turner frozen"),
        middles_only=True,
    )
    timing = timing_of([read_trace(path) for path in sorted((LANTERN / "logs").glob("*.csv"))], routine)
    record = {
        "points": [["raise", "runs"], ["near", "times out"]],
        "seen": [["raise", "runs"]],
        "outcomes": {"raise": {"done": 2}},
        "rehearsals": 2,
        "reason": "",
    }
    spread = Spread(checked, machine=routine.machine, runs=12, spec=routine.rehearsals[0])
    return [
        drill_section(drill.report(drill.rows())),
        spread_section(spread.report(list(spread.rows())), "spread"),
        tuning_section(timing, "tuning"),
        coverage_section(record),
    ]


def _reported(name: str) -> Reported:
    routine = load_routine(LANTERN / f"{name}.routine.yaml")
    examination = examine(routine)
    if examination.checked is None:
        return Reported(routine, examination)
    specs = routine.rehearsals[:1]
    rehearsals = [rehearse(examination.checked, machine=routine.machine, spec=spec) for spec in specs]
    return Reported(routine, examination, rehearsals, specs)


def look_at(browser: Any, address: str, size: str = "a laptop", scheme: str = "light", media: str = "") -> None:
    width, height = SIZES[size]
    shown = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shown)
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})
    browser.get_log("browser")
    browser.get(address)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_console_stays_empty(browser: Any, address: str, size: str, scheme: str) -> None:
    look_at(browser, address, size, scheme)
    assert browser.get_log("browser") == []


def test_a_page_with_an_error_would_be_noticed(browser: Any, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.html"
    wrong.write_text("<script>nothing.there()</script>")
    look_at(browser, wrong.as_uri())
    assert browser.get_log("browser") != []


def shown(browser: Any) -> tuple[str, str, str]:
    """Where the hand is drawn, what the first two lines of the readout say."""
    return tuple(  # type: ignore[return-value]
        browser.execute_script(
            """
            const hand = [...document.querySelectorAll("[data-motion] path.moving")]
              .find((path) => path.parentNode.querySelector("title").textContent === "hand");
            const box = hand.getBoundingClientRect(), seen = hand.closest("svg").getBoundingClientRect();
            const lines = [...document.querySelectorAll("[data-readout]")].map((node) => node.textContent);
            return [`${Math.round(box.x - seen.x)} ${Math.round(box.y - seen.y)}`, lines[0], lines[1]];
            """
        )
    )


def test_the_slider_moves_the_mechanism(browser: Any, address: str) -> None:
    look_at(browser, address)
    place, time, steps = shown(browser)
    assert (time, steps) == ("0.00 s", "raise, level")
    browser.execute_script(
        "const slider = document.querySelector('input[type=range]'); slider.value = 120;"
        "slider.dispatchEvent(new Event('input'));"
    )
    later, time, steps = shown(browser)
    assert (time, steps) == ("2.40 s", "lean_on")
    assert later != place
    assert int(later.split()[1]) < int(place.split()[1]) - 50  # it has been lifted


def test_the_slider_is_moved_by_keys(browser: Any, address: str) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    look_at(browser, address)
    place = shown(browser)[0]
    slider = browser.find_element(By.CSS_SELECTOR, "input[type=range]")
    slider.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert shown(browser)[1] == "0.06 s"
    slider.send_keys(Keys.END)
    assert shown(browser)[1] != "0.06 s"
    assert slider.get_attribute("aria-valuetext").startswith(shown(browser)[1])
    slider.send_keys(Keys.HOME)
    assert shown(browser)[0] == place


def test_the_charts_mark_the_time_of_the_slider(browser: Any, address: str) -> None:
    look_at(browser, address)
    marks = "return [...document.querySelectorAll('line.now')].map((line) => Number(line.getAttribute('x1')))"
    before = browser.execute_script(marks)
    browser.execute_script(
        "const slider = document.querySelector('input[type=range]'); slider.value = slider.max;"
        "slider.dispatchEvent(new Event('input'));"
    )
    after = browser.execute_script(marks)
    assert len(before) >= 4
    assert all(end > begin + 100 for begin, end in zip(before, after, strict=True))


def test_it_plays_and_stops(browser: Any, address: str) -> None:
    from selenium.webdriver.common.by import By
    from selenium.webdriver.support.ui import WebDriverWait

    look_at(browser, address)
    button = browser.find_element(By.TAG_NAME, "button")
    button.click()
    WebDriverWait(browser, 10).until(lambda one: shown(one)[1] > "0.20 s")
    button.click()
    assert button.text == "play"
    stopped = shown(browser)[1]
    browser.execute_async_script("setTimeout(arguments[0], 200)")
    assert shown(browser)[1] == stopped


TEXTS = """
const found = [];
const walker = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode.parentElement;
  if (!walker.currentNode.textContent.trim() || node.closest("script,style,title,desc")) continue;
  if (!node.checkVisibility()) continue;
  let size = parseFloat(getComputedStyle(node).fontSize);
  const svg = node.closest("svg");
  if (svg) size *= svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
  found.push([walker.currentNode.textContent.trim(), size]);
}
return found;
"""


@pytest.mark.parametrize("size", SIZES)
def test_every_text_is_large_enough_to_read(browser: Any, address: str, size: str) -> None:
    look_at(browser, address, size)
    texts = browser.execute_script(TEXTS)
    assert len(texts) > 80
    assert [text for text in texts if text[1] < SMALLEST] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_made_and_missed_attempts_are_told_apart(browser: Any, address: str, scheme: str) -> None:
    look_at(browser, address, scheme=scheme)
    styles = browser.execute_script(
        "return ['.made', '.missed'].map((name) => {const one = getComputedStyle(document.querySelector(name));"
        "return [one.fill, one.stroke]})"
    )
    (made_fill, made_line), (missed_fill, missed_line) = styles
    assert (made_fill != "none", missed_fill) == (True, "none")  # by more than by colour
    assert made_line != missed_line


@pytest.mark.parametrize("size", SIZES)
def test_the_page_is_no_wider_than_the_screen(browser: Any, address: str, size: str) -> None:
    look_at(browser, address, size)
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    assert wide <= SIZES[size][0]


def test_the_dark_page_is_dark(browser: Any, address: str) -> None:
    colour = "return getComputedStyle(document.body).backgroundColor"
    look_at(browser, address, scheme="light")
    light = browser.execute_script(colour)
    look_at(browser, address, scheme="dark")
    dark = browser.execute_script(colour)
    assert sum(map(int, re.findall(r"\d+", light)[:3])) > 700
    assert sum(map(int, re.findall(r"\d+", dark)[:3])) < 100


@pytest.mark.parametrize(("names", "cards"), [(["hang_ridge"], 1), (["hang_ridge", "broken_reach", "pick_up"], 3)])
def test_it_prints_one_landscape_page_for_each_routine(
    browser: Any, tmp_path: Path, names: list[str], cards: int
) -> None:
    path = tmp_path / "printed.html"
    path.write_text(routines_page([_reported(name) for name in names]), encoding="utf-8")
    look_at(browser, path.as_uri())
    printed = base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"])
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == cards
    width, height = map(float, re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", printed)[0])
    assert width > height


def test_the_card_is_not_cut_off(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    path.write_text(routines_page([_reported(name) for name in ("hang_ridge", "pick_up", "drop")]), encoding="utf-8")
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 1054, "height": 726, "deviceScaleFactor": 1, "mobile": False}
    )
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    browser.get(path.as_uri())
    cut = browser.execute_script(
        "return [...document.querySelectorAll('.card')].map((card) => card.scrollHeight - card.clientHeight)"
    )
    assert len(cut) == 3
    assert max(cut) <= 0


def test_text_of_a_file_runs_no_script(browser: Any, tmp_path: Path) -> None:
    one = _reported("hang_ridge")
    evil = "<img src=x onerror=\"document.title='caught'\"></script><script>document.title='caught'</script>"
    path = tmp_path / "evil.html"
    path.write_text(routines_page([replace(one, routine=replace(one.routine, name=evil), rehearsals=(), specs=())]))
    look_at(browser, path.as_uri())
    assert browser.execute_script("return document.title") != "caught"
    assert browser.execute_script("return document.querySelectorAll('img').length") == 0
