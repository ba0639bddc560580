"""Draws the plant of a run as a picture: each module once, coloured by its difference to its row.

    plot_plant.py RUN PICTURE.png

Needs pandas and matplotlib. RUN is a run folder of `thermal inspect`.
"""

import json
import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import pandas
from matplotlib.collections import PolyCollection

run, picture = Path(sys.argv[1]), Path(sys.argv[2])
modules = pandas.read_csv(run / "modules.csv")
findings = pandas.read_csv(run / "findings.csv", parse_dates=["captured_at"])
outlines = json.loads((run / "modules.geojson").read_text(encoding="utf-8"))["features"]
rings = {f["properties"]["asset_id"]: f["geometry"]["coordinates"][0] for f in outlines if f["geometry"]}

# A module that several frames show has a line for each: their median counts.
differences = modules.groupby("asset_id")["delta_row_k"].median()
seen = [asset for asset in differences.index if asset in rings]
figure, axes = plt.subplots(figsize=(10, 6), layout="constrained")
patches = PolyCollection([rings[asset] for asset in seen], array=differences[seen], cmap="cividis", edgecolors="none")
patches.set_clim(-3, 8)
axes.add_collection(patches)
for _, finding in findings[findings["asset_id"].isin(rings)].iterrows():
    lon, lat = rings[finding["asset_id"]][0]
    axes.annotate(finding["finding"], (lon, lat), fontsize=5)
axes.autoscale()
axes.set(xlabel="longitude, deg", ylabel="latitude, deg", aspect=1.3, title=f"{len(seen)} modules, {len(findings)} findings")
figure.colorbar(patches, label="module less its row, K")
figure.savefig(picture, dpi=150)
print(f"{picture}: {len(seen)} modules")
