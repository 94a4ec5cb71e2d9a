"""The report in a real browser: quiet console, no request, fits a phone, prints."""

from __future__ import annotations

import base64
import contextlib
import functools
import http.server
import json
import shutil
import threading
from pathlib import Path

import pytest

pytestmark = [
    pytest.mark.skipif(
        shutil.which("chromium") is None or shutil.which("chromedriver") is None,
        reason="needs chromium and chromedriver (Debian: apt install chromium-driver)",
    ),
    pytest.mark.timeout(120),
]


@pytest.fixture(scope="module")
def driver():
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = shutil.which("chromium")
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    yield browser
    browser.quit()


@pytest.fixture(scope="module")
def report(filled, tmp_path_factory):
    from acquire.cli import main

    out = tmp_path_factory.mktemp("page") / "round.html"
    assert main(["report", "r3", "--store", str(filled.path), "--out", str(out)]) == 0
    return out


def width(driver, pixels):
    size = {"width": pixels, "height": 900, "deviceScaleFactor": 1, "mobile": pixels < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def requests(driver):
    """Every address the page asked for."""
    said = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [
        m["params"]["request"]["url"] for m in said if m["method"] == "Network.requestWillBeSent"
    ]


def test_no_console_error_and_no_request_but_the_page_itself(driver, report):
    driver.get_log("browser"), driver.get_log("performance")
    driver.get(report.as_uri())
    assert driver.title.endswith("20 November 2026")
    assert driver.get_log("browser") == []
    assert [u for u in requests(driver) if not u.startswith("data:")] == [report.as_uri()]
    assert driver.execute_script("return performance.getEntriesByType('resource').length") == 0
    assert driver.execute_script("return document.scripts.length") == 0


def test_served_by_a_web_server_it_still_asks_for_nothing_else(driver, report):
    asked = []

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_args):
            asked.append(self.path)

    handler = functools.partial(Quiet, directory=str(report.parent))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            driver.get(f"http://127.0.0.1:{server.server_port}/round.html")
            assert driver.get_log("browser") == []
        finally:
            server.shutdown()
            thread.join()
    assert asked == ["/round.html"]


def test_its_own_policy_lets_its_style_in_and_keeps_a_script_out(driver, report):
    driver.get(report.as_uri())
    colour = driver.execute_script("return getComputedStyle(document.body).color")
    assert colour == "rgb(22, 38, 44)"
    bad = report.with_name("bad.html")
    text = report.read_text(encoding="utf-8")
    bad.write_text(text.replace("</main>", "<script>window.evil = 1</script></main>"), "utf-8")
    driver.get(bad.as_uri())
    assert driver.execute_script("return window.evil") is None
    assert "Content Security Policy" in driver.get_log("browser")[0]["message"]


@pytest.mark.parametrize("pixels", [320, 390, 768, 1280])
def test_nothing_runs_out_of_the_page_at_any_width(driver, report, pixels):
    width(driver, pixels)
    driver.get(report.as_uri())
    assert driver.execute_script("return document.documentElement.scrollWidth") <= pixels
    out = driver.execute_script(
        "return [...document.querySelectorAll('p, td, th, h1, h2, h3, li, svg, figure')]"
        ".filter(e => e.getClientRects().length && getComputedStyle(e.closest('thead') || e)"
        ".position != 'absolute')"
        ".filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
        ".map(e => e.tagName + ': ' + e.textContent.slice(0, 60))"
    )
    assert out == []


def test_text_in_figures_is_large_enough_on_a_phone_and_no_labels_lie_on_each_other(driver, report):
    width(driver, 390)
    driver.get(report.as_uri())
    small, over = driver.execute_script(
        """
        const small = [], over = [];
        for (const svg of document.querySelectorAll('svg')) {
          const texts = [...svg.querySelectorAll('text')].map(t => [t, t.getBoundingClientRect()]);
          for (const [t, r] of texts) if (r.height < 10) small.push(t.textContent);
          for (let i = 0; i < texts.length; i++) for (let j = i + 1; j < texts.length; j++) {
            const [a, p] = texts[i], [b, q] = texts[j];
            const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
            const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
            if (wide > 1 && high > 4) over.push(a.textContent + ' / ' + b.textContent);
          }
        }
        return [small, over];
        """
    )
    assert small == []
    assert over == []


def test_it_prints_on_a4_and_letter_in_a_sensible_number_of_pages(driver, report, tmp_path):
    width(driver, 1280)
    driver.get(report.as_uri())
    for name, inches in (("a4", (8.27, 11.69)), ("letter", (8.5, 11.0))):
        paper = {"paperWidth": inches[0], "paperHeight": inches[1], "preferCSSPageSize": False}
        said = driver.execute_cdp_cmd("Page.printToPDF", {**paper, "printBackground": False})
        pdf = base64.b64decode(said["data"])
        (tmp_path / f"{name}.pdf").write_bytes(pdf)
        pages = pdf.count(b"/Type /Page") - pdf.count(b"/Type /Pages")
        assert 4 <= pages <= 16, (name, pages)
    with contextlib.suppress(OSError):
        (tmp_path / "a4.pdf").unlink()


@pytest.mark.parametrize("pixels", [390, 1280])
def test_an_independent_checker_of_accessibility_finds_nothing(driver, report, pixels):
    # axe-core, the rules of WCAG 2.0 to 2.2, levels A and AA.
    rules = Path(__file__).parents[1] / "page" / "vendor" / "axe" / "axe.min.js"
    width(driver, pixels)
    driver.get(report.as_uri())
    driver.execute_script(rules.read_text(encoding="utf-8"))
    found = driver.execute_async_script(
        "const done = arguments[0];"
        "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', "
        "'best-practice']}).then(r => done({passes: r.passes.length, violations: r.violations"
        ".map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 200)).join(' | '))}))"
    )
    assert found["violations"] == []
    assert found["passes"] > 20


@pytest.mark.parametrize("pixels", [320, 1280])
def test_a_name_of_eighty_letters_widens_no_page(driver, filled, tmp_path, pixels):
    from acquire import config
    from acquire.report.gather import Bench
    from acquire.report.html import report_html
    from acquire.report.redact import Redaction
    from acquire.store.records import Records

    settings = config.load(None)
    bench = Bench(settings.quantities, settings.settler, settings.tolerance)
    long = Redaction(False, {}, {"reverse osmosis": "W" * 80, "buffer 7": "=" * 80})
    with Records.open(filled.path) as records:
        text = "".join(report_html(records, "r1", bench, now_ms=0, redaction=long))
    page = tmp_path / "long.html"
    page.write_text(text, encoding="utf-8")
    width(driver, pixels)
    driver.get(page.as_uri())
    assert driver.execute_script("return document.documentElement.scrollWidth") <= pixels
