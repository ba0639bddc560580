"""Measures the review page with many findings, in the browser (figures: benches/README.md):

    measure_review.py THERMAL FOLDER COUNT

FOLDER is what `thermal demo` wrote. Its plant is laid out again and again as blocks of an invented larger one, with frames of
their own, until COUNT modules have a finding. Prints, and holds against the targets: when the first picture stands, how long
the next finding takes (key to drawn picture), and the page's memory over 500 findings.
"""

import csv
import json
import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from browser import Chromium, Review

FIRST_MS, NEXT_MS, GROWTH = 1000, 100, 1.10
CORNERS = ("x0", "y0", "x1", "y1", "x2", "y2", "x3", "y3")

thermal, folder, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
place = Path(tempfile.mkdtemp())
site, run = place / "site", place / "site/run"


def features(path):
    return json.loads(path.read_text())["features"]


def write_features(path, items):
    path.write_text(json.dumps({"type": "FeatureCollection", "features": items}))


def copied(feature, block):
    """A feature of another block: north of the last one by 60 m."""
    out = json.loads(json.dumps(feature))
    rings = out["geometry"]["coordinates"]
    out["geometry"]["coordinates"] = [[[x, y + 0.00054 * block] for x, y, *_ in ring] for ring in rings]
    for name in ("asset_id", "id"):
        if out["properties"].get(name):
            out["properties"][name] = f"{block:02}.{out['properties'][name]}"
    if out["properties"].get("frame"):
        out["properties"]["frame"] = f"{block:02}_{out['properties']['frame']}"
    return out


def build():
    modules, machine = features(folder / "run/modules.geojson"), features(folder / "run/findings.geojson")
    whole = [m for m in modules if m["properties"]["whole"]]
    by_asset = {m["properties"]["asset_id"]: m for m in reversed(whole)}
    blocks = -(-count // len(by_asset))
    shutil.copytree(folder / "run", run, ignore=shutil.ignore_patterns("decisions*"))
    (site / "frames").mkdir()
    for name in ("inspection.toml", "irradiance.csv"):
        shutil.copy(folder / name, site / name)
    frames = list(csv.reader(open(folder / "frames.csv", newline="")))
    with open(site / "frames.csv", "w", newline="") as file:
        csv.writer(file).writerows([frames[0]] + [[f"{b:02}_{r[0]}", *r[1:]] for b in range(blocks) for r in frames[1:]])
    for block in range(blocks):
        for frame in (folder / "frames").iterdir():
            os.link(frame, site / "frames" / f"{block:02}_{frame.name}")
    plant = features(folder / "layout.geojson")
    write_features(site / "layout.geojson", [copied(m, b) for b in range(blocks) for m in plant])
    write_features(run / "modules.geojson", [copied(m, b) for b in range(blocks) for m in modules])
    many = []
    for block in range(blocks):
        for module in by_asset.values():
            finding = copied(machine[len(many) % len(machine)], block)
            at = copied(module, block)
            finding["id"] = finding["properties"]["finding"] = f"F{len(many) + 1:04}"
            for name in ("frame", "row", "course", "position", "asset_id", *CORNERS):
                finding["properties"][name] = at["properties"][name]
            finding["geometry"] = at["geometry"]
            many.append(finding)
    del many[count:]
    write_features(run / "findings.geojson", many)
    with open(run / "findings.csv", "w", newline="") as file:
        out = csv.writer(file)
        out.writerow(many[0]["properties"])
        out.writerows(["" if v is None else v for v in f["properties"].values()] for f in many)
    record = json.loads((run / "run.json").read_text())
    # The tables are not those that the run sealed.
    record["outputs"] = []
    (run / "run.json").write_text(json.dumps(record))
    return blocks * len(frames[1:]), blocks * len(modules)


def metrics(page):
    page.js("gc(); 0")
    counted = {m["name"]: m["value"] for m in page.call("Performance.getMetrics")["metrics"]}
    return {"heap MB": round(counted["JSHeapUsedSize"] / 1e6, 1), "nodes": int(counted["Nodes"]),
            "listeners": int(counted["JSEventListeners"]),
            "performance.memory MB": round(page.js("performance.memory.usedJSHeapSize") / 1e6, 1)}


def resident_mb(process):
    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    return round(int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024)


frames, outlines = build()
browser = Chromium()
began = time.monotonic()
review = Review(thermal, run, "--reviewer", "Ada", "--inspection", str(site))
print(f"{count} findings, {frames} frames, {outlines} outlines; the program serves after {time.monotonic() - began:.1f} s")
first = []
for _ in range(5):
    page = browser.open("about:blank")
    page.call("Page.addScriptToEvaluateOnNewDocument", source="""
        new MutationObserver(() => { if (document.body && document.body.dataset.drawn && window.firstPicture === undefined) {
            window.firstPicture = null; requestAnimationFrame(() => { window.firstPicture = performance.now(); }); } })
        .observe(document, { subtree: true, attributes: true, attributeFilter: ['data-drawn'] });""")
    page.call("Page.navigate", url=review.address)
    page.wait("window.firstPicture", "the first picture", 60)
    first.append(page.js("window.firstPicture"))
    if len(first) < 5:
        page.close()
print(f"first picture after {statistics.median(first):.0f} ms (median of 5: {sorted(round(t) for t in first)})")
page.call("Performance.enable")
page.js("""window.timed = async (n) => { const out = []; for (let i = 0; i < n; i += 1) {
    const next = shown[shown.indexOf(current) + 1]; const t = performance.now();
    document.dispatchEvent(new KeyboardEvent('keydown', { key: 'j', bubbles: true }));
    while (current !== next || document.body.dataset.drawn !== `${next.id} ${sights[0].frame}`) {
      await new Promise(r => requestAnimationFrame(r)); }
    out.push(performance.now() - t); await new Promise(r => setTimeout(r, 150)); } return out; }; 0""")
memory, times = [metrics(page)], []
for _ in range(10):
    times += page.js("timed(50)")
    memory.append(metrics(page))
times.sort()
late = times[int(0.95 * len(times))]
print(f"next finding, key to drawn picture, {len(times)}: median {statistics.median(times):.0f} ms, 95 % under {late:.0f} ms, "
      f"worst {times[-1]:.0f} ms")
print("the page at the start and after each 50 findings:")
for state in memory:
    print(" ", state)
print(f"memory of the program: {resident_mb(review.process)} MB")
began = time.monotonic()
for k in range(60):
    page.js("queue.then(() => 0)")
    page.key("c")
    page.wait(f"document.getElementById('saved').textContent.includes('entry {k + 1}.')", "saved")
print(f"script at the keys, each decision awaited on the disk: {60 * 60 / (time.monotonic() - began):.0f} findings a minute")
page.close()
review.stop()
browser.close()
shutil.rmtree(place)
# The store of decoded frames fills within the first hundred.
growth = memory[-1]["heap MB"] / memory[2]["heap MB"]
missed = [what for what, held in (
    (f"first picture in {FIRST_MS} ms", statistics.median(first) < FIRST_MS),
    (f"next finding in {NEXT_MS} ms", late < NEXT_MS),
    (f"flat memory (grew to {growth:.2f} of what it was after 100 findings)", growth < GROWTH),
) if not held]
raise SystemExit(f"missed: {missed}" if missed else 0)
