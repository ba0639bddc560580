"""Accuracy of `thermal inspect` on rendered flights, by scene: a Markdown table and the reliability of the confidences.

Usage: accuracy.py SCENES BINARY WORK
SCENES holds flights of the example `render_scenes` (each with its truth.json), WORK receives the runs.
Needs numpy and opencv-python-headless (intersection of convex polygons).
"""

import csv
import json
import math
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np

CLASSES = ("hotspot", "cell", "substring", "module", "string")
# The renderer's kinds of fault by the word that the tables use for them.
WORD = {"cells": "cell", "substring2": "substring", "sixth": "substring"}
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.96, 1.01)


def overlap(a, b):
    """Intersection over union of two convex quadrilaterals."""
    a, b = (np.array(q, dtype=np.float32) for q in (a, b))
    shared = cv2.intersectConvexConvex(a, b)[0]
    union = cv2.contourArea(a) + cv2.contourArea(b) - shared
    return shared / union if union > 0 else 0.0


def read_modules(path):
    frames = defaultdict(list)
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            row["corners"] = [(float(row[f"x{k}"]), float(row[f"y{k}"])) for k in range(4)]
            frames[row["frame"]].append(row)
    return frames


def best_match(corners, candidates):
    near = [c for c in candidates if math.dist(np.mean(c["corners"], 0), np.mean(corners, 0)) < 60]
    return max(((overlap(corners, c["corners"]), c) for c in near), key=lambda v: v[0], default=(0.0, None))


def corner_distances(a, b):
    """Distances of the corners, px; the outlines may start at different ones and run either way."""
    orders = [c[k:] + c[:k] for c in (a, a[::-1]) for k in range(4)]
    return min(([math.dist(p, q) for p, q in zip(order, b)] for order in orders), key=sum)


def main():
    scenes, binary, work = Path(sys.argv[1]), sys.argv[2], Path(sys.argv[3])
    reliability, means = [], []
    print("| scene | modules | precision | recall | recall at 0.85 | corner px | pattern macro F1 | other name |")
    print("|---|---|---|---|---|---|---|---|")
    for scene in sorted(p for p in scenes.iterdir() if (p / "truth.json").exists()):
        run = work / scene.name
        command = [binary, "--quiet", "inspect", scene, "--out", run, "--force", "--no-evidence"]
        subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        truth, found = json.loads((scene / "truth.json").read_text()), read_modules(run / "modules.csv")
        whole = hit = hit85 = wrong = right = renamed = 0
        distances, said = [], defaultdict(lambda: [0, 0, 0])
        for name, frame in truth["frames"].items():
            for module in frame["modules"]:
                if not module["whole"]:
                    continue
                whole += 1
                share, row = best_match(module["corners"], found[name])
                want = {WORD.get(kind, kind) for kind in module["kinds"]} or {"none"}
                got = row["pattern"] if share >= 0.5 else "none"
                if share >= 0.70:
                    hit += 1
                    hit85 += share >= 0.85
                    renamed += row["asset_id"] not in ("", module["module"])
                    distances += corner_distances(row["corners"], module["corners"])
                # A run of modules and a single one differ by their neighbours alone.
                alike = got in want or ({got} | want <= {"module", "string"})
                for word in CLASSES:
                    said[word][0] += word in want and alike
                    said[word][1] += got == word and not alike
                    said[word][2] += word in want and not alike
            for row in found[name]:
                share, module = best_match(row["corners"], frame["modules"])
                wrong += share < 0.70 and not (module and not module["whole"] and share > 0.3)
                right += share >= 0.70
                if row["pattern"] != "none":
                    reliability.append((float(row["confidence"]), share >= 0.5 and bool(module["kinds"])))
        scores = [2 * t / (2 * t + f + m) for t, f, m in said.values() if t + m > 0]
        precision, recall = right / max(right + wrong, 1), hit / max(whole, 1)
        means.append((2 * precision * recall / max(precision + recall, 1e-9), np.mean(scores) if scores else 1.0))
        corner = np.mean(distances) if distances else math.nan
        print(
            f"| {scene.name} | {whole} | {precision:.3f} | {recall:.3f} | {hit85 / max(whole, 1):.3f} "
            f"| {corner:.2f} | {means[-1][1]:.3f} | {renamed} |"
        )
    outline, pattern = np.array(means).T
    print(f"\nMean outline F1 {outline.mean():.3f}, worst {outline.min():.3f}; mean pattern macro F1 {pattern.mean():.3f}\n")
    print("| confidence said | findings | mean of it | true |\n|---|---|---|---|")
    for low, high in zip(BINS, BINS[1:]):
        part = [r for r in reliability if low <= r[0] < high]
        if part:
            said_mean, true_share = np.mean([r[0] for r in part]), np.mean([r[1] for r in part])
            print(f"| {low:.2f} to {min(high, 1):.2f} | {len(part)} | {said_mean:.3f} | {true_share:.3f} |")


if __name__ == "__main__":
    main()
