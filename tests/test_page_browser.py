# SPDX-License-Identifier: GPL-3.0-or-later
"""The report page in a real browser, by keys and clicks, from a file without a network."""

from __future__ import annotations

import os
import wave

import pytest
from beamwright.core.report.page import CuePoint, SceneSpan, Score, Soundtrack
from browser import Browser, find_browser
from page_show import NASTY, report, write, x_at

if find_browser() is None:
    if os.environ.get("CI"):
        pytest.fail("Chromium is missing; .ci/run installs it", pytrace=False)
    pytest.skip("needs Chromium (Debian: apt-get install chromium)", allow_module_level=True)

COUNT = 300
SCORE = Score(
    (SceneSpan("Quay", 1, 100), SceneSpan("Sea", 101, 220), SceneSpan("Home", 221, 300)),
    (CuePoint("Lamp on", 41), CuePoint("Whale", 131)),
)
FRAME = "1 + Number(document.getElementById('scrub').value)"
PLAYING = "document.getElementById('play-label').textContent === 'Pause'"
READY = "document.documentElement.dataset.stills === 'drawn'"
_LIGHT = """(channel => {
  const c = document.getElementById('picture');
  const { data } = c.getContext('2d').getImageData(0, 0, c.width, c.height);
  let sum = 0, weighted = 0;
  for (let at = channel; at < data.length; at += 4) {
    if (data[at] < 200) continue;
    sum += 1;
    weighted += Math.floor(at / 4) % c.width;
  }
  return [sum, sum ? weighted / sum / c.width : -1];
})(CHANNEL)"""


def light(channel):
    """Script: how many pixels shine in a channel, and where across on average."""
    return _LIGHT.replace("CHANNEL", str(channel))


def build(folder, file="show.html", score=SCORE, **keywords):
    path = folder / file
    path.write_bytes(write(report(COUNT, **keywords), score=score))
    return path


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    return build(folder, points=lambda frame: 1200 if 50 <= frame < 80 else 900 + frame % 50)


@pytest.fixture(scope="module")
def shared():
    with Browser() as browser:
        yield browser


@pytest.fixture
def browser(shared, page):
    shared.events.clear()
    shared.open(page)
    shared.wait_for(READY)
    yield shared
    assert shared.complaints() == []


def frame_drawn(browser):
    """The frame whose picture is on the canvas, told by where its line stands."""
    browser.wait_for(f"document.documentElement.dataset.drawn === String({FRAME})")
    amount, at = browser.evaluate(light(0))
    assert amount > 50
    width, height = browser.evaluate(
        "[document.getElementById('picture').width, document.getElementById('picture').height]"
    )
    # The extents, rounded up, with a margin, as large as fits.
    half_width, half_height = 1.06 * 115 / 127, 1.06 * 64 / 127
    scale = min(width / half_width, height / half_height) / 2
    return (at - 0.5) * width / scale


def test_the_first_picture(browser):
    """It opens still, with everything there, and asks nothing of the network."""
    assert browser.evaluate(FRAME) == 1
    assert not browser.evaluate(PLAYING)
    assert frame_drawn(browser) == pytest.approx(x_at(0, COUNT), abs=0.01)
    assert browser.evaluate(light(1))[0] > 50
    stills = browser.evaluate(
        "[...document.querySelectorAll('[data-still]')].map(c => { const d = c.getContext('2d')"
        ".getImageData(0, 0, c.width, c.height).data; let n = 0;"
        "for (let i = 0; i < d.length; i += 4) n += d[i] > 150; return n; })"
    )
    assert len(stills) == 3
    assert min(stills) > 20


def test_it_asks_before_it_moves(browser):
    browser.press(" ")
    assert not browser.evaluate("document.getElementById('caution').hidden")
    assert "sensitive" in browser.evaluate("document.getElementById('caution').innerText")
    assert not browser.evaluate(PLAYING)
    browser.press("Tab")
    browser.press("Enter")  # leave it still
    assert browser.evaluate("document.getElementById('caution').hidden")
    assert (browser.evaluate(FRAME), browser.evaluate(PLAYING)) == (1, False)


def test_play_and_pause(browser):
    browser.press(" ")
    browser.press("Enter")
    assert browser.evaluate(PLAYING)
    browser.wait_for(f"{FRAME} > 12")
    browser.press(" ")
    at = browser.evaluate(FRAME)
    assert not browser.evaluate(PLAYING)
    assert frame_drawn(browser) == pytest.approx(x_at(at - 1, COUNT), abs=0.01)
    browser.evaluate("new Promise(done => setTimeout(done, 200))")
    assert browser.evaluate(FRAME) == at
    # It has said its piece: the next time it plays at once.
    browser.press(" ")
    assert browser.evaluate(PLAYING)


def test_the_end_and_repeat(browser):
    for key in (" ", "Enter", "+", "End", "ArrowLeft", "ArrowLeft"):
        browser.press(key)
    browser.wait_for(f"!({PLAYING})")
    assert browser.evaluate(FRAME) == COUNT
    browser.press("r")
    browser.press(" ")
    browser.press("End")
    browser.wait_for(f"{FRAME} < 100 && {PLAYING}")


CLOCK = """
  window.now = 0;
  window.waiting = [];
  performance.now = () => now;
  window.requestAnimationFrame = (step) => waiting.push(step);
  window.tick = (ms) => { now += ms; for (const step of waiting.splice(0)) step(now); };
"""


def test_speed(page):
    """On a clock of our own, so that nothing depends on the machine."""
    with Browser() as browser:
        browser.open(page, before=CLOCK)
        browser.wait_for(READY)
        browser.press(" ")
        browser.press("Enter")

        def frames_in_a_second():
            before = browser.evaluate(FRAME)
            browser.evaluate("for (let k = 0; k < 50; k++) tick(20.001)")
            return browser.evaluate(FRAME) - before

        assert frames_in_a_second() == 25
        browser.press("+")
        assert frames_in_a_second() == 50
        browser.press("+")  # there is nothing faster
        assert frames_in_a_second() == 50
        for _ in range(2):
            browser.press("-")
        assert frames_in_a_second() in (12, 13)


@pytest.mark.parametrize(
    ("keys", "frame"),
    [
        (["ArrowRight"] * 3, 4),
        (["ArrowRight", "ArrowRight", "ArrowLeft"], 2),
        (["ArrowLeft"], 1),
        (["Shift ArrowRight"], 26),
        (["End"], 300),
        (["End", "Shift ArrowLeft"], 275),
        (["End", "Home"], 1),
        (["PageDown"], 41),
        (["PageDown"] * 2, 101),
        (["PageDown"] * 3, 131),
        (["PageDown"] * 4, 221),
        (["End", "PageUp", "PageUp"], 131),
    ],
)
def test_keys(browser, keys, frame):
    for key in keys:
        browser.press(key.removeprefix("Shift "), shift=key.startswith("Shift"))
    assert browser.evaluate(FRAME) == frame
    assert frame_drawn(browser) == pytest.approx(x_at(frame - 1, COUNT), abs=0.01)


def test_keys_do_not_take_what_controls_need(browser):
    browser.evaluate("document.getElementById('speed').focus()")
    browser.press("End")
    assert browser.evaluate(FRAME) == 1
    browser.evaluate("document.getElementById('scrub').focus()")
    browser.press("ArrowRight")
    assert browser.evaluate(FRAME) == 2


def test_each_projector_alone(browser):
    red, green = light(0), light(1)
    browser.press("1")
    assert (browser.evaluate(red)[0] > 50, browser.evaluate(green)[0]) == (True, 0)
    browser.press("2")
    assert (browser.evaluate(red)[0], browser.evaluate(green)[0] > 50) == (0, True)
    browser.press("0")
    assert browser.evaluate(red)[0] > 50
    assert browser.evaluate(green)[0] > 50
    assert browser.evaluate("document.getElementById('which').value") == "-1"


def test_blank_moves(browser):
    grey = """(() => { const c = document.getElementById('picture');
      const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
      for (let i = 0; i < d.length; i += 4) n += d[i] > 90 && Math.abs(d[i] - d[i + 1]) < 20;
      return n; })()"""
    before = browser.evaluate(grey)
    browser.press("b")
    assert browser.evaluate("document.getElementById('ways').checked")
    assert browser.evaluate(grey) > before + 50
    browser.press("1")  # whose one stroke has nothing before it
    assert browser.evaluate(grey) == 0


def test_scrubbing(browser):
    browser.click("#scrub", 0.5)
    assert abs(browser.evaluate(FRAME) - 150.5) <= 2
    at = browser.evaluate(FRAME)
    assert frame_drawn(browser) == pytest.approx(x_at(at - 1, COUNT), abs=0.01)
    told = browser.evaluate("document.getElementById('scrub').getAttribute('aria-valuetext')")
    assert f"frame {at}" in told
    assert f"Graphics {900 + at % 50} of 1000 points" in told


@pytest.mark.parametrize(
    ("selector", "frame"),
    [
        (".scene:nth-child(2)", 101),
        (".cue:nth-child(1)", 41),
        (".stills li:nth-child(3) .still", 221),
        ("table .seek", 41),
    ],
)
def test_clicking_leads_there(browser, selector, frame):
    browser.click(selector)
    assert browser.evaluate(FRAME) == frame


def test_figures_of_the_frame(browser):
    browser.click("#scrub", 60 / 299)
    at = browser.evaluate(FRAME)
    assert 50 <= at < 80
    now = browser.evaluate("document.getElementById('now').innerText")
    assert "1200 points (600 lit) in 1 strokes, drawn 25.0 times a second." in now
    assert "▲ Over the budget of 1000 points." in now
    assert "Gull <1>" in now
    assert "1100" in now
    lane = browser.evaluate("document.getElementById('lanes').innerText")
    assert "▲ 1200 of 1000 points" in lane
    assert "25.0 Hz of 30 Hz asked" in lane


def test_the_curve_marks_what_is_over_budget(browser):
    """Hatching stands over those frames and nowhere else."""
    first, last = browser.evaluate("""(() => {
      const c = document.querySelectorAll('.lane canvas')[0];
      const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
      const columns = [];
      for (let i = 0; i < d.length; i += 4) {
        if (d[i] > 230 && d[i + 1] > 130 && d[i + 1] < 180 && d[i + 2] > 110 && d[i + 3] > 200)
          columns.push(i / 4 % c.width);
      }
      columns.sort((a, b) => a - b);
      const count = columns.length;
      return [columns[0], columns[count - 1]].map(x => x / (c.width - 1) * 299 + 1);
    })()""")
    assert first == pytest.approx(50, abs=1.5)
    assert last == pytest.approx(79, abs=1.5)


def test_without_the_browsers_own_inflate(page, browser):
    """Our own reading of RFC 1951 unpacks the same."""
    look = (
        "[document.getElementById('picture').toDataURL(), document.getElementById('now').innerText]"
    )
    browser.press("End")
    browser.wait_for("document.documentElement.dataset.drawn === '300'")
    native = browser.evaluate(look)
    with Browser() as old:
        old.open(page, before="delete window.DecompressionStream;")
        old.wait_for(READY)
        assert old.evaluate("typeof DecompressionStream") == "undefined"
        old.press("End")
        old.wait_for("document.documentElement.dataset.drawn === '300'")
        assert old.evaluate(look) == native
        assert old.complaints() == []


def test_less_motion(page):
    with Browser() as browser:
        browser.call("Emulation.setEmulatedMedia",
                     features=[{"name": "prefers-reduced-motion", "value": "reduce"}])  # fmt: skip
        browser.open(page)
        browser.wait_for(READY)
        assert browser.evaluate("document.getElementById('speed').value") == "0.25"
        browser.press(" ")
        assert "quarter" in browser.evaluate("document.getElementById('caution').innerText")


def test_a_nasty_name_is_shown_as_it_is(tmp_path, shared):
    shared.events.clear()
    score = Score((SceneSpan(NASTY, 1, COUNT),), (CuePoint(NASTY, 2),))
    shared.open(build(tmp_path, "nasty.html", score, name=NASTY))
    shared.wait_for(READY)
    assert shared.evaluate("document.querySelector('h1').textContent") == NASTY
    assert shared.evaluate("document.querySelector('.scene').textContent") == NASTY
    assert shared.evaluate("document.images.length") == 0
    assert shared.complaints() == []


SPY = "window.Audio = class extends Audio { constructor() { super(); window.heard = this; } };"


def test_sound_in_step(tmp_path):
    with wave.open(str(tmp_path / "the sea.wav"), "wb") as sound:
        sound.setparams((1, 2, 8000, 0, "NONE", ""))
        sound.writeframes(bytes(2 * 8000 * 12))
    score = Score(SCORE.scenes, (), Soundtrack("the sea.wav"))
    with Browser() as browser:
        browser.open(build(tmp_path, score=score), before=SPY)
        browser.wait_for(READY)
        browser.wait_for("!document.getElementById('sound-box').hidden")
        for key in ("Shift ArrowRight", " ", "Enter"):
            browser.press(key.removeprefix("Shift "), shift=key.startswith("Shift"))
        browser.wait_for(f"{FRAME} > 35")
        heard, frame, paused = browser.evaluate(
            f"new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() =>"
            f"done([heard.currentTime, {FRAME}, heard.paused]))))"
        )
        assert not paused
        assert heard == pytest.approx((frame - 1) / 25, abs=0.1)
        browser.press(" ")
        assert browser.evaluate("heard.paused")
        assert browser.complaints() == []


def test_sound_that_is_missing(tmp_path):
    score = Score(SCORE.scenes, (), Soundtrack("lost.wav"))
    with Browser() as browser:
        browser.open(build(tmp_path, score=score))
        browser.wait_for("document.getElementById('remark').textContent.includes('lost.wav')")
        browser.wait_for(READY)
        browser.press(" ")
        browser.press("Enter")
        browser.wait_for(f"{FRAME} > 5")


def test_a_damaged_page_says_so(tmp_path, page):
    text = page.read_text("utf-8")
    start = text.index('id="chunk-0-0">') + len('id="chunk-0-0">')
    broken = tmp_path / "broken.html"
    broken.write_text(text[:start] + "AAAA" + text[start + 40 :], "utf-8")
    with Browser() as browser:
        browser.open(broken)
        browser.wait_for("document.getElementById('remark').textContent.includes('may be damaged')")


def test_text_can_be_read(browser):
    """Contrast of all text is at least 4.5 to 1 (WCAG 2.2, success criterion 1.4.3)."""
    browser.evaluate(
        "document.querySelector('details').open = true;"
        "document.getElementById('caution').hidden = false"
    )
    poor = browser.evaluate("""(() => {
      const parse = (text) => {
        const [r, g, b, a = 1] = text.match(/[\\d.]+/g).map(Number);
        return { rgb: [r, g, b], a };
      };
      const light = ([r, g, b]) => {
        const part = (v) => ((v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
        return 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
      };
      const poor = [];
      let seen = 0;
      for (const element of document.body.querySelectorAll('*')) {
        const text = [...element.childNodes].filter((n) => n.nodeType === 3)
          .map((n) => n.textContent.trim()).join('');
        if (!text || !element.checkVisibility() || element.tagName === 'OPTION') continue;
        let behind = element, ground;
        do ground = parse(getComputedStyle(behind).backgroundColor);
        while (ground.a < 1 && (behind = behind.parentElement));
        const [high, low] = [light(parse(getComputedStyle(element).color).rgb), light(ground.rgb)]
          .sort((a, b) => b - a);
        seen++;
        if ((high + 0.05) / (low + 0.05) < 4.5) poor.push(text);
      }
      return [seen, poor];
    })()""")
    assert poor[0] > 80
    assert poor[1] == []


def test_everything_has_a_name_for_screen_readers(browser):
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
    roles = {"button", "slider", "combobox", "checkbox", "image", "img"}
    found = [node for node in nodes if node.get("role", {}).get("value") in roles]
    assert len(found) > 15
    lacking = [node for node in found if not node.get("name", {}).get("value")]
    assert lacking == []


def test_a_narrow_window_has_no_sideways_scrolling(page):
    with Browser(500, 900) as browser:
        browser.call("Emulation.setDeviceMetricsOverride", width=390, height=844,
                     deviceScaleFactor=2, mobile=False)  # fmt: skip
        browser.open(page)
        browser.wait_for(READY)
        wide, window = browser.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert wide <= window == 390
