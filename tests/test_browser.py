"""The page in headless Chromium: the whole path at two widths, by mouse and by keyboard, with every other host blocked.

Screenshots of a failed test are kept in the folder named at its end. Accessibility is checked with axe-core
(rules of WCAG 2.0 and 2.1, levels A and AA), as bundled by the package axe-core-python.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from urllib.parse import urlsplit

import pypdf
import pytest
from PIL import Image

from analysis import report as reports
from analysis.saved import unpack

selenium = pytest.importorskip("selenium", reason="the package selenium is not installed")
from selenium import webdriver  # noqa: E402
from selenium.common.exceptions import WebDriverException  # noqa: E402
from selenium.webdriver import ActionChains  # noqa: E402
from selenium.webdriver.chrome.options import Options  # noqa: E402
from selenium.webdriver.chrome.service import Service  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_images"
CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser")) if p), None)
CHROMEDRIVER = shutil.which("chromedriver")
PATIENCE = 90  # seconds for an answer on a busy machine

pytestmark = pytest.mark.skipif(
    CHROMIUM is None or CHROMEDRIVER is None,
    reason="no Chromium with chromedriver is installed on this computer",
)


# Python's own audit hook notes every address that the server looks up or connects to, and every file that it opens
# for writing (PEP 578); the first lines show that it was there.
WATCH = """
import os, sys

def note(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
        name = os.fsdecode(args[0])
        if name not in (os.devnull, os.environ["FILES_WRITTEN"], os.environ["ADDRESSES_ASKED"]):
            with open(os.environ["FILES_WRITTEN"], "a") as file:
                file.write(f"{name}\\n")
    elif event in ("socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        where = args[1] if event in ("socket.connect", "socket.sendto") else args[0]
        host = where[0] if isinstance(where, tuple) else where
        with open(os.environ["ADDRESSES_ASKED"], "a") as file:
            file.write(f"{host}\\n")

sys.addaudithook(note)
note("socket.getaddrinfo", ("127.0.0.1",))
note("open", ("the first line", "w", os.O_WRONLY))
"""
CACHES = (str(Path.home() / ".cache" / "matplotlib"), str(Path.home() / ".config" / "matplotlib"))  # list of fonts
HERE = ("127.0.0.1", "::1", "localhost", "0.0.0.0", "None", "")


def gone(name):
    """Whether a file lay in the folder for temporary files and is no more; one without a name is the folder's."""
    here = Path(tempfile.gettempdir())
    return Path(name) == here or here in Path(name).parents and not Path(name).exists()


# ---- server and browser ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """The page on a free port, with a logbook of its own."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    watch = tmp_path_factory.mktemp("watch")
    (watch / "sitecustomize.py").write_text(WATCH)
    env = os.environ | {
        "STRIPE_OR_GRAIN_DATA": str(tmp_path_factory.mktemp("data")),
        "PYTHONPATH": os.pathsep.join(filter(None, [str(watch), os.environ.get("PYTHONPATH")])),
        "ADDRESSES_ASKED": str(watch / "asked.txt"),
        "FILES_WRITTEN": str(watch / "written.txt"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    log = (tmp_path_factory.mktemp("log") / "server.txt").open("w+")
    server = subprocess.Popen(
        [sys.executable, "-m", "streamlit", "run", "streamlit_app.py", "--server.port", str(port)],
        cwd=ROOT,
        env=env,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    ask = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        for _ in range(300):
            assert server.poll() is None, (log.seek(0), log.read())[1]
            try:
                if ask.open(f"http://127.0.0.1:{port}/_stcore/health", timeout=1).status == 200:
                    break
            except OSError:
                time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
        log.seek(0)
        written = log.read()
        assert "Traceback" not in written, written[-3000:]
        asked = (watch / "asked.txt").read_text().splitlines()
        assert asked and not [line for line in asked if line not in HERE], "the server asked other hosts"
        wrote = (watch / "written.txt").read_text().splitlines()
        assert wrote[0] == "the first line"
        left = [name for name in wrote[1:] if not name.startswith(CACHES) and not gone(name)]
        assert not left, f"the server wrote files and left them: {left}"
    finally:
        server.terminate()
        server.wait(20)
        log.close()


@pytest.fixture
def browser(address, tmp_path, request):
    """Chromium that can reach this computer alone; at its end every address it asked for is checked."""
    options = Options()
    options.binary_location = CHROMIUM
    for switch in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--hide-scrollbars",
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    ):
        options.add_argument(switch)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(CHROMEDRIVER))
    driver.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(tmp_path)})
    page = Page(driver, address, tmp_path)
    try:
        page.resize(1440)
        yield page
        if request.node.stash.get(FAILED, False):
            folder = Path(tempfile.mkdtemp(prefix="stripe-or-grain-browser-"))
            driver.save_screenshot(str(folder / f"{request.node.name}.png"))
            print(f"screenshot kept in {folder}")
        asked = page.hosts()
        assert asked <= {urlsplit(address).netloc}, f"other hosts were asked: {asked}"
        severe = [entry["message"] for entry in driver.get_log("browser") if entry["level"] == "SEVERE"]
        assert not severe
    finally:
        driver.quit()


FAILED = pytest.StashKey[bool]()


@pytest.fixture(autouse=True)
def note_failure(request):
    """Tell the browser fixture, which ends later, that the test failed."""
    before = request.session.testsfailed
    yield
    request.node.stash[FAILED] = request.session.testsfailed > before


class Page:
    """One tab, with the few verbs that these tests need."""

    def __init__(self, driver, address, folder):
        self.driver, self.address, self.folder, self.width = driver, address, folder, 0

    def resize(self, width):
        self.width = width
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
        )

    def open(self, *, dark=False):
        self.theme(dark=dark)
        self.driver.get(self.address)
        self.find(".st-key-demo_cured button")
        self.idle()

    def theme(self, *, dark):
        scheme = "dark" if dark else "light"
        self.driver.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )

    def js(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def until(self, ask, patience=20.0, what="something"):
        end = time.monotonic() + patience
        while time.monotonic() < end:
            try:
                if found := ask():
                    return found
            except WebDriverException:
                pass  # the page is being redrawn
            time.sleep(0.1)
        raise AssertionError(f"waited {patience} s in vain for {what}; the page says: {self.text()[-600:]}")

    def find(self, css, patience=20.0):
        return self.until(lambda: self.driver.find_element(By.CSS_SELECTOR, css), patience, css)

    def click(self, css):
        def press():
            element = self.driver.find_element(By.CSS_SELECTOR, css)
            self.js("arguments[0].scrollIntoView({block: 'center'})", element)
            self.js("arguments[0].click()", element)
            return True

        self.until(press, what=css)

    def view(self, name):
        """Go to a part of the program by its name."""
        buttons = ".st-key-view button"

        def press():
            found = [b for b in self.driver.find_elements(By.CSS_SELECTOR, buttons) if name in b.text]
            return found and (found[0].click() or True)

        self.until(press, what=name)
        heading = "return document.querySelector('.sg-step h2').innerText"
        self.until(lambda: name.lower() in self.js(heading).lower(), what=f"the view {name}")
        self.idle()

    def text(self):
        return self.js("return document.querySelector('[data-testid=stMain]')?.innerText ?? ''")

    def settled(self, patience=PATIENCE):
        """The answer and all below it is drawn and nothing runs any more."""
        self.find(".st-key-get_zip button", patience)
        self.idle(patience)

    def idle(self, patience=20.0):
        """No run, nothing old left on the page, and its fading over."""
        ended = "[data-testid=stApp][data-test-script-state=notRunning]"
        for _ in range(3):  # a run that follows at once is waited for too
            self.until(
                lambda: (
                    self.driver.find_elements(By.CSS_SELECTOR, ended)
                    and not self.driver.find_elements(By.CSS_SELECTOR, "[data-stale=true]")
                ),
                patience,
                "the end of the run",
            )
            time.sleep(0.25)

    def inside(self, css, script, *arguments):
        """Run a script in the shadow of the component within `css`; `root` is its root."""
        return self.until(
            lambda: self.js(
                "const box = document.querySelector(arguments[0]);"
                "const root = [...box.querySelectorAll('*')].find(e => e.shadowRoot).shadowRoot;"
                f"return [((...given) => {{ {script} }})(...[...arguments].slice(1))];",
                css,
                *arguments,
            ),
            what=f"{css}: {script}",
        )[0]

    def download(self, key, ending):
        before = set(self.folder.iterdir())
        self.click(f".st-key-{key} button")

        def arrived():
            return [p for p in set(self.folder.iterdir()) - before if p.suffix == ending and p.stat().st_size]

        return self.until(arrived, 60, f"the file {ending}")[0]

    def hosts(self):
        """Hosts that were asked for anything so far."""
        found = set()
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            url = {
                "Network.requestWillBeSent": lambda p: p["request"]["url"],
                "Network.webSocketCreated": lambda p: p["url"],
            }.get(message["method"], lambda p: "")(message["params"])
            if urlsplit(url).scheme in ("http", "https", "ws", "wss"):
                found.add(urlsplit(url).netloc)
        return found

    def overflow(self):
        """Pixels by which the page is wider than the window."""
        return self.js("const m = document.querySelector('[data-testid=stMain]'); return m.scrollWidth - m.clientWidth")


def axe_findings(page, *, off=()):
    """Serious and critical findings of axe-core."""
    import axe_core_python

    page.idle()

    script = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    page.js(script)
    options = {
        "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"],
        "resultTypes": ["violations"],
        "rules": {rule: {"enabled": False} for rule in off},
    }
    page.driver.set_script_timeout(60)
    result = page.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, arguments[0]).then(done, e => done({error: '' + e}))",
        options,
    )
    assert "error" not in result, result
    return [
        f"{v['id']}: {node['html'][:160]} {node.get('failureSummary', '')[:200]}"
        for v in result["violations"]
        if v["impact"] in ("serious", "critical")
        for node in v["nodes"]
    ]


# ---- tests -------------------------------------------------------------------------------------------


def test_the_whole_path_with_the_demo_pair_by_keyboard_and_mouse(browser):
    browser.open()
    body = browser.driver.switch_to.active_element
    for _ in range(60):  # Tab alone reaches the demo
        ActionChains(browser.driver).send_keys(Keys.TAB).perform()
        if browser.driver.switch_to.active_element.text == "Try the demo pair":
            break
    assert browser.driver.switch_to.active_element.text == "Try the demo pair", body
    ActionChains(browser.driver).send_keys(Keys.ENTER).perform()
    browser.settled()
    answer = browser.find(".sg-answer").text
    assert "2.03" in answer and "gone" in answer
    assert [big.text for big in browser.driver.find_elements(By.CSS_SELECTOR, ".sg-card .big")][-1] == "Gone"
    check_viewer(browser)
    check_downloads(browser, answer)
    for width in (390, 1440):
        browser.resize(width)
        time.sleep(1.0)
        assert browser.overflow() <= 0, f"the page is wider than {width} px"
        cards = browser.js(
            "return [...document.querySelectorAll('.sg-card')].map(c => c.getBoundingClientRect().right)"
        )
        assert max(cards) <= width
    assert not axe_findings(browser)
    browser.resize(390)
    browser.theme(dark=True)
    time.sleep(1.0)
    assert not axe_findings(browser)
    printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {})["data"]
    paper = pypdf.PdfReader(io.BytesIO(base64.b64decode(printed)))
    text = " ".join("\n".join(page.extract_text() for page in paper.pages).split())
    assert "is gone" in text and "2.031" in text and "Sheet as PDF" not in text and "Choose other photos" not in text
    charts = browser.js("return [...document.querySelectorAll('[data-testid=stVegaLiteChart] [aria-label]')].length")
    assert charts >= 5


def check_viewer(browser):
    """Swipe by keyboard, blend, heat map with its key, common zoom."""
    view = "[class*=st-key-viewer_]"
    assert browser.inside(view, "return root.querySelectorAll('.pane').length") == 1
    browser.inside(view, "root.querySelector('.slider.wide input').focus()")
    ActionChains(browser.driver).send_keys(Keys.ARROW_RIGHT * 5).perform()
    assert browser.inside(view, "return root.querySelectorAll('.half')[1].style.clipPath") == "inset(0px 0px 0px 55%)"
    browser.inside(view, "root.querySelector('input[value=blend]').click()")
    assert browser.inside(view, "return root.querySelectorAll('.half')[1].style.opacity") == "0.55"
    browser.inside(view, "root.querySelector('input[value=beside]').click()")
    browser.inside(view, "root.querySelector('input[value=stripes]').click()")
    assert browser.inside(
        view, "return [...root.querySelectorAll('img.map')].every(i => i.alt.includes('stripe contrast'))"
    )
    assert (
        browser.inside(view, "return !root.querySelector('.key').hidden && root.querySelectorAll('.ticks span').length")
        >= 3
    )
    browser.inside(view, "root.querySelector('.zoom button:nth-child(2)').click()")
    moved = browser.inside(view, "return [...root.querySelectorAll('.layers')].map(l => l.style.transform)")
    assert len(moved) == 2 and moved[0] == moved[1] and "scale(1.5)" in moved[0]


def check_downloads(browser, answer):
    """Every file is what it says and tells the same answer."""
    assert browser.download("get_pdf", ".pdf").read_bytes()[:5] == b"%PDF-"
    sheet = Image.open(io.BytesIO(browser.download("get_png", ".png").read_bytes()))
    assert sheet.size == pytest.approx((2339, 1654), abs=2)  # A4 landscape at 200 dpi, ISO 216
    report = reports.load(browser.download("get_json", ".json").read_bytes())
    assert report["change"]["sentence"].split(":")[0] in answer.replace("\N{NO-BREAK SPACE}", " ")
    saved = unpack(browser.download("get_zip", ".zip").read_bytes())
    assert saved.report == report
    page = browser.download("get_html", ".html")
    kept = browser.driver.current_window_handle
    browser.driver.switch_to.new_window("tab")
    browser.driver.get(page.as_uri())
    assert answer.split(":")[0] in browser.js("return document.body.innerText").replace("\N{NO-BREAK SPACE}", " ")
    browser.driver.close()
    browser.driver.switch_to.window(kept)


def test_changing_an_input_stops_the_work_and_the_answer_is_that_of_the_new_input(browser):
    browser.open()
    browser.click(".st-key-demo_cured button")
    browser.find("[data-testid=stProgress]")
    browser.click(".st-key-leave_demo button")
    browser.find(".st-key-demo_smaller button")
    browser.idle()
    assert not browser.driver.find_elements(By.CSS_SELECTOR, "[data-testid=stProgress], .sg-answer")
    browser.click(".st-key-demo_smaller button")
    browser.find("[data-testid=stProgress]")
    field = ".st-key-frame_w input"
    browser.click("[data-testid=stExpander] summary")
    browser.until(lambda: browser.driver.find_element(By.CSS_SELECTOR, field).is_displayed(), what="the field")
    keys = (Keys.CONTROL, "a", Keys.NULL, "81", Keys.ENTER)
    browser.until(lambda: browser.driver.find_element(By.CSS_SELECTOR, field).send_keys(*keys) or True, what=field)
    browser.settled()
    assert "81 by 60 mm" in browser.text()
    spacing = browser.until(
        lambda: [dd.text for dd in browser.driver.find_elements(By.CSS_SELECTOR, ".sg-card dd") if "mm" in dd.text],
        what="a spacing",
    )[0]
    assert float(spacing.split()[0]) == pytest.approx(2.03 * 81 / 80, rel=0.005)


def test_a_series_is_judged_and_its_table_is_downloaded(browser):
    browser.open()
    browser.view("Series")
    names = ("cured_before.jpg", "cured_after.jpg")
    given = browser.folder / "list.csv"
    given.write_text("file,power_percent,speed_mm_s\ncured_before.jpg,40,200\ncured_after.jpg,20,200\n")
    files = [str(DEMO / name) for name in names] + [str(given)]
    browser.find(".st-key-series_upload input[type=file]").send_keys("\n".join(files))
    browser.click(".st-key-series_go button")
    browser.find(".st-key-series_csv button", PATIENCE)
    browser.idle()
    for width in (390, 1440):
        browser.resize(width)
        time.sleep(1.0)
        assert browser.overflow() <= 0
        assert not axe_findings(browser)
    with browser.download("series_csv", ".csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["power_percent"] for row in rows] == ["40.0", "20.0"]
    assert float(rows[0]["period_mm"]) == pytest.approx(2.03, rel=0.005) and not rows[1]["period_mm"]


def test_corners_clicked_on_an_uploaded_photo_give_the_true_spacing(browser):
    truth = json.loads((DEMO / "truth.json").read_text())["pairs"]["cured"]["before"]
    browser.open()
    browser.find(".st-key-before input[type=file]").send_keys(str(DEMO / "cured_before.jpg"))
    browser.click(".st-key-alone input")
    browser.click(".st-key-by_hand input")
    pick = "[class*=st-key-pick_before]"
    browser.until(
        lambda: browser.inside(pick, "return root.querySelectorAll('.point').length") == 4, what="four points"
    )
    for corner in truth["corners_px"]:
        click_photo(browser, pick, corner)
        time.sleep(1.0)  # the page takes the points before the next click
    told = browser.inside(pick, "return [...root.querySelectorAll('.point')].map(p => p.getAttribute('aria-label'))")
    first = float(told[0].split(" x ")[1].split(",")[0])
    assert first == pytest.approx(truth["corners_px"][0][0], abs=4)  # one screen pixel is some 2 photo pixels
    browser.inside(pick, "root.querySelectorAll('.point')[0].focus()")
    ActionChains(browser.driver).send_keys(Keys.ARROW_RIGHT).perform()
    assert browser.inside(pick, "return getComputedStyle(root.querySelector('.lens')).display") == "block"
    moved = browser.inside(pick, "return root.querySelector('.point').getAttribute('aria-label')")
    assert float(moved.split(" x ")[1].split(",")[0]) == pytest.approx(first + 1, abs=0.051)
    ActionChains(browser.driver).send_keys(Keys.ARROW_LEFT).perform()
    time.sleep(1.5)
    browser.click(".st-key-go button")
    browser.settled()
    period = browser.until(
        lambda: [dd.text for dd in browser.driver.find_elements(By.CSS_SELECTOR, ".sg-card dd") if "mm" in dd.text],
        what="a spacing",
    )[0]
    assert float(period.split()[0]) == pytest.approx(truth["stripes"][0]["period_mm"], rel=0.005)


def click_photo(browser, pick, point):
    """Click where a point of the full-size photo is shown."""
    with Image.open(DEMO / "cured_before.jpg") as photo:
        size = photo.size
    browser.js("document.querySelector(arguments[0]).scrollIntoView({block: 'center'})", pick)
    x, y = browser.inside(
        pick,
        """
        const r = root.querySelector('.stage img').getBoundingClientRect();
        return [r.left + (given[0] + 0.5) / given[2] * r.width, r.top + (given[1] + 0.5) / given[3] * r.height];
        """,
        *point,
        *size,
    )
    for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
        browser.driver.execute_cdp_cmd(
            "Input.dispatchMouseEvent",
            {
                "type": kind,
                "x": x,
                "y": y,
                "button": "none" if kind == "mouseMoved" else "left",
                "clickCount": 1,
            },
        )


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1440])
def test_first_page_machine_and_logbook_have_no_serious_accessibility_finding(browser, width, dark):
    browser.resize(width)
    browser.open(dark=dark)
    assert browser.overflow() <= 0
    found = axe_findings(browser)
    for name in ("Machine", "Test piece", "Series", "Logbook"):
        browser.view(name)
        assert browser.overflow() <= 0
        found += axe_findings(browser)
    assert not found


def test_every_input_has_a_label_and_every_picture_a_text(browser):
    browser.open()
    for field in browser.driver.find_elements(By.CSS_SELECTOR, "input:not([type=hidden]), textarea, select"):
        if not field.is_displayed():
            continue
        assert field.accessible_name.strip(), field.get_attribute("outerHTML")[:200]
    for picture in browser.driver.find_elements(By.CSS_SELECTOR, "img"):
        assert picture.get_attribute("alt"), picture.get_attribute("outerHTML")[:120]


def test_a_broken_upload_gives_one_sentence_and_no_traceback(browser, tmp_path):
    bad = tmp_path / "Foto \N{CYRILLIC SMALL LETTER EF}.jpg"
    bad.write_bytes((DEMO / "cured_before.jpg").read_bytes()[:3000])
    browser.open()
    browser.find(".st-key-before input[type=file]").send_keys(str(bad))
    browser.click(".st-key-alone input")
    browser.click(".st-key-go button")
    said = browser.find("[data-testid=stAlertContentError]").text
    assert "cut short" in said and "Traceback" not in browser.text()
