"""The HTML sheet in a real browser: phone and desk, light and dark, offline."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from fifthwheel.sheet import write_html
from tests.sheet.synthetic import made_report

pytestmark = pytest.mark.browser
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"

CONTRAST = """() => {
  const parse = c => { const m = c.match(/[\\d.]+/g).map(Number); return m.length < 4 ? [...m, 1] : m; };
  const lin = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const lum = c => 0.2126 * lin(c[0]) + 0.7152 * lin(c[1]) + 0.0722 * lin(c[2]);
  const under = e => { for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor);
    if (c[3] > 0) return c; } return [255, 255, 255, 1]; };
  const out = [];
  for (const e of document.querySelectorAll('body *')) {
    const words = [...e.childNodes].filter(n => n.nodeType === 3 && n.textContent.trim()).length;
    if (!words || !e.getClientRects().length) continue;
    const style = getComputedStyle(e), svg = e.namespaceURI.includes('svg');
    const a = lum(parse(svg ? style.fill : style.color)), b = lum(under(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) out.push([e.textContent.trim().slice(0, 40), ratio]);
  }
  return out;
}"""
"""Contrast of every visible text against what lies under it (relative luminance of WCAG 2.2); those below 4.5."""


@pytest.fixture(scope="module")
def page_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("browser") / "sheet.html"
    write_html(made_report(findings=10), path)
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if not Path(CHROMIUM).exists():
        text = "chromium is not installed: it shows the sheet for this test"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(params=[(360, "light"), (360, "dark"), (1440, "light"), (1440, "dark")], ids=lambda p: f"{p[0]}-{p[1]}")
def page(request: pytest.FixtureRequest, browser: Any, page_path: Path) -> Iterator[Any]:
    width, scheme = request.param
    context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme, offline=True)
    opened = context.new_page()
    opened.said, opened.asked = [], []
    opened.on("console", lambda message: opened.said.append(message.text))
    opened.on("pageerror", lambda error: opened.said.append(str(error)))
    opened.on("request", lambda request: opened.asked.append(request.url))
    opened.goto(page_path.as_uri())
    yield opened
    context.close()


def test_nothing_overflows_nothing_is_asked_and_nothing_goes_wrong(page: Any) -> None:
    wide = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide[0] <= wide[1]
    assert page.said == []
    assert [url for url in page.asked if not url.startswith(("file:", "data:"))] == []


def test_every_word_has_the_contrast_of_wcag(page: Any) -> None:
    assert page.evaluate(CONTRAST) == []


def test_the_shipped_family_is_what_is_shown(page: Any) -> None:
    loaded = page.evaluate(
        "document.fonts.ready.then(() => [...document.fonts].filter(f => f.status === 'loaded').length)"
    )
    assert loaded >= 2
    widths = page.evaluate("""() => { const c = document.createElement('canvas').getContext('2d');
      c.font = '100px "Fifthwheel Sans"'; return [...'0123456789'].map(d => c.measureText(d).width); }""")
    assert len(set(widths)) == 1


def test_no_word_is_cut_at_the_edge_of_a_drawing(page: Any) -> None:
    cut = page.evaluate("""() => [...document.querySelectorAll('svg')].filter(
      s => s.getClientRects().length).flatMap(s => {
      const f = s.getBoundingClientRect();
      return [...s.querySelectorAll('text')].filter(t => { const b = t.getBoundingClientRect();
        return b.left < f.left - 1 || b.right > f.right + 1 || b.top < f.top - 1 || b.bottom > f.bottom + 1; })
        .map(t => s.getAttribute('aria-label') + ': ' + t.textContent); })""")
    assert cut == []


def test_words_in_drawings_are_large_enough_to_read(page: Any) -> None:
    smallest = page.evaluate("""() => Math.min(...[...document.querySelectorAll('svg text')]
      .filter(t => t.getClientRects().length).map(t => t.getBoundingClientRect().height))""")
    assert smallest >= 11


def test_keyboard_reaches_links_and_wide_tables_with_visible_focus(page: Any) -> None:
    page.keyboard.press("Tab")
    first = page.evaluate("document.activeElement.textContent")
    assert first == "Skip to the evidence"
    seen = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        seen.add(
            page.evaluate("document.activeElement.tagName + ' ' + (document.activeElement.getAttribute('role') || '')")
        )
    assert "A " in seen
    assert "DIV region" in seen
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"


def test_headings_go_down_one_step_at_a_time_and_one_h1(page: Any) -> None:
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1])")
    assert levels.count(1) == 1
    steps = [b - a for a, b in pairwise(levels)]
    assert max(steps) <= 1 or levels[:2] == [1, 3]
    bare = page.evaluate("[...document.querySelectorAll('table')].filter(t => !t.querySelector('thead th[scope=col]'))")
    assert bare == []


def test_ids_are_unique(page: Any) -> None:
    ids = page.evaluate("[...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))
