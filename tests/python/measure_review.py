"""Measures the review page with many findings, in the browser; run by hand:

    measure_review.py THERMAL FOLDER COUNT

FOLDER is what `thermal demo` wrote; its run is copied with its findings repeated up to COUNT. Prints when the first picture
stands, how long the next finding takes (key to drawn picture), and the page's memory over 500 findings.
"""

import csv
import json
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from browser import Chromium, Review

thermal, folder, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
place = Path(tempfile.mkdtemp())
run = place / "run"
shutil.copytree(folder / "run", run, ignore=shutil.ignore_patterns("decisions*"))
features = json.loads((run / "findings.geojson").read_text())["features"]
modules = json.loads((run / "modules.geojson").read_text())["features"]
many = []
for k in range(count):
    source = modules[k % len(modules)]
    feature = json.loads(json.dumps(features[k % len(features)]))
    feature["id"] = feature["properties"]["finding"] = f"F{k + 1:04}"
    for name in ("frame", "row", "course", "position", "asset_id", "x0", "y0", "x1", "y1", "x2", "y2", "x3", "y3"):
        feature["properties"][name] = source["properties"][name]
    feature["geometry"] = source["geometry"]
    many.append(feature)
(run / "findings.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": many}))
with open(run / "findings.csv", "w", newline="") as file:
    out = csv.writer(file)
    out.writerow(many[0]["properties"])
    out.writerows(["" if v is None else v for v in f["properties"].values()] for f in many)
record = json.loads((run / "run.json").read_text())
record["outputs"] = []
(run / "run.json").write_text(json.dumps(record))

browser = Chromium()
review = Review(thermal, run, "--reviewer", "Ada", "--inspection", str(folder))
first = []
for _ in range(5):
    page = browser.open("about:blank")
    page.call("Page.navigate", url=review.address)
    page.wait("document.body && document.body.dataset.drawn", "the first picture")
    first.append(page.js("""(() => { const [n] = performance.getEntriesByType('navigation'); return performance.now(); })()"""))
    if len(first) < 5:
        page.close()
print(f"{count} findings; first picture after at most {statistics.median(first):.0f} ms (median of 5: {sorted(round(t) for t in first)})")
page.js("""window.timed = async (n) => { const out = []; for (let i = 0; i < n; i += 1) {
    const next = shown[shown.indexOf(current) + 1]; const t = performance.now();
    await step(1);
    while (document.body.dataset.drawn !== `${next.id} ${sights[0].frame}`) await new Promise(r => requestAnimationFrame(r));
    out.push(performance.now() - t); await new Promise(r => setTimeout(r, 150)); } return out; }; 0""")
page.js("gc(); 0")
memory = [page.js("performance.memory.usedJSHeapSize")]
times = []
for _ in range(10):
    times += page.js("timed(50)")
    page.js("gc(); 0")
    memory.append(page.js("performance.memory.usedJSHeapSize"))
times.sort()
print(f"next finding, key to drawn picture, {len(times)}: median {statistics.median(times):.0f} ms, 95 % under {times[int(0.95 * len(times))]:.0f} ms, worst {times[-1]:.0f} ms")
print("script memory after each 50 findings, MB:", [round(m / 1e6, 1) for m in memory])
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
