#!/usr/bin/env python3
"""A drawn table of modules, and where general-purpose libraries find its edges and lines and what they read inside.

requirements: numpy==2.4.6 scipy==1.17.1 scikit-image==0.26.0 tifffile==2026.3.3
Run in this folder: python3 make.py        writes table.tif, corners.csv, lines.csv and modules.csv

table.tif holds kelvins times 100 as the frame of a camera 20 m above two courses of five modules of 1.04 m by 2.00 m that lie
level, focal length 800 px, heading 12 deg: 2.5 cm a pixel. Drawn at eight times the size and averaged, blurred by
scipy.ndimage.gaussian_filter, with noise. One module is warm by a third, one all over, and some pixels are hot.

Edges:     skimage.measure.find_contours halfway between soil and glass, a straight line through each side's points
           (skimage.measure.LineModelND), and where these cross: corners.csv, px from the frame's corner.
Lines:     skimage.measure.profile_line across a gap, and a Gaussian through it by scipy.optimize.curve_fit: lines.csv, px.
Statistic: scipy.ndimage.median over skimage.draw.polygon2mask of each module's inner part, and numpy's median of those of the
           row: modules.csv, deg C and K.
"""
import csv

import numpy as np
import tifffile
from scipy import ndimage, optimize
from skimage import draw, measure

WIDTH, HEIGHT, PX_M, HEADING = 320, 256, 800 / 20.0, np.radians(12.0)
MODULE, GAP, COLUMNS, COURSES = np.array([1.04, 2.00]), 0.018, 5, 2
SOIL, GLASS, LINE = 36.0, 46.0, 38.0
RIGHT, DOWN = np.array([np.cos(HEADING), -np.sin(HEADING)]), np.array([np.sin(HEADING), np.cos(HEADING)])
LEVELS = GLASS + np.array([[0.4, -0.3, 0.0, 0.2, -0.5], [-0.2, 5.0, 0.3, -0.1, 0.6]])


def pixel(along, down):
    """Place on the table, m from its middle, to px from the frame's corner."""
    return np.array([WIDTH / 2, HEIGHT / 2]) + PX_M * (along * RIGHT + down * DOWN)


def left_upper(column, course):
    pitch = MODULE + GAP
    return np.array([column, course]) * pitch - 0.5 * (np.array([COLUMNS, COURSES]) * pitch - GAP)


def drawn():
    fine = 8
    y, x = (np.mgrid[0 : HEIGHT * fine, 0 : WIDTH * fine] + 0.5) / fine
    dx, dy = (x - WIDTH / 2) / PX_M, (y - HEIGHT / 2) / PX_M
    along, down = dx * RIGHT[0] + dy * RIGHT[1], dx * DOWN[0] + dy * DOWN[1]
    image = np.full(x.shape, SOIL)
    low, high = left_upper(0, 0), left_upper(COLUMNS - 1, COURSES - 1) + MODULE
    image[(along > low[0]) & (along < high[0]) & (down > low[1]) & (down < high[1])] = LINE
    for course in range(COURSES):
        for column in range(COLUMNS):
            a, d = left_upper(column, course)
            inside = (along > a) & (along < a + MODULE[0]) & (down > d) & (down < d + MODULE[1])
            image[inside] = LEVELS[course, column]
            if (column, course) == (3, 0):  # a third runs warm
                image[inside & (along < a + MODULE[0] / 3)] += 6.0
    image = image.reshape(HEIGHT, fine, WIDTH, fine).mean((1, 3))
    image = ndimage.gaussian_filter(image, 0.7)
    rng = np.random.default_rng(20261126)
    image += rng.normal(0.0, 0.05, image.shape)
    for _ in range(60):
        image[rng.integers(0, HEIGHT), rng.integers(0, WIDTH)] += 8.0
    return np.round((image + 273.15) * 100).astype("<u2")


def corners(image):
    """Corners of the table in the order upper left, upper right, lower right, lower left."""
    smooth = ndimage.median_filter(image, 3)
    contour = max(measure.find_contours(smooth, 0.5 * (SOIL + GLASS)), key=len)[:, ::-1] + 0.5
    low, high = left_upper(0, 0), left_upper(COLUMNS - 1, COURSES - 1) + MODULE
    ring = [pixel(low[0], low[1]), pixel(high[0], low[1]), pixel(high[0], high[1]), pixel(low[0], high[1])]
    lines = []
    for a, b in zip(ring, ring[1:] + ring[:1]):
        t = (contour - a) @ (b - a) / ((b - a) @ (b - a))
        off = (contour - a) @ np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
        near = contour[(t > 0.08) & (t < 0.92) & (np.abs(off) < 3)]
        line = measure.LineModelND.from_estimate(near)
        lines.append((line.origin, line.direction))
    out = []
    for (p, u), (q, v) in zip(lines[-1:] + lines[:-1], lines):
        s = np.linalg.solve(np.stack([u, -v], 1), q - p)[0]
        out.append(p + s * u)
    return out


def lines(image):
    """Across the gaps beside one another in a course: course, column to the left, centre px."""
    for course in range(COURSES):
        for column in range(COLUMNS - 1):
            a, d = left_upper(column, course)
            middle = pixel(a + MODULE[0] + 0.5 * GAP, d + 0.5 * MODULE[1])
            p, q = middle - 7 * RIGHT, middle + 7 * RIGHT
            # profile_line counts from the centre of the first pixel, row first.
            values = measure.profile_line(image, (p - 0.5)[::-1], (q - 0.5)[::-1], linewidth=41, reduce_func=np.median)
            t = np.linspace(0, 14, len(values))
            # The levels on both sides are read off the profile's ends; the dip alone is fitted.
            left, right = np.median(values[:4]), np.median(values[-4:])

            def shape(t, at, depth, width):
                share = 0.5 + 0.5 * np.tanh((t - at) / 0.9)
                return left + (right - left) * share - depth * np.exp(-0.5 * ((t - at) / width) ** 2)

            (at, _, _), _ = optimize.curve_fit(shape, t, values, p0=[7.0, 3.0, 0.9])
            yield course, column, *(p + at * RIGHT)


def medians(image):
    """Course, column, median, and how far it lies over the median of the row, which both courses make up."""
    values = {}
    for course in range(COURSES):
        for column in range(COLUMNS):
            a, d = left_upper(column, course)
            m = 0.08 * MODULE
            ring = [(a + m[0], d + m[1]), (a + MODULE[0] - m[0], d + m[1])]
            ring += [(a + MODULE[0] - m[0], d + MODULE[1] - m[1]), (a + m[0], d + MODULE[1] - m[1])]
            mask = draw.polygon2mask(image.shape, [(pixel(*p) - 0.5)[::-1] for p in ring])
            values[course, column] = ndimage.median(image, mask)
    row = np.median(list(values.values()))
    return [[*place, value, value - row] for place, value in values.items()]


def write(name, head, rows):
    with open(name, "w", newline="", encoding="utf-8") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(head)
        out.writerows([[f"{v:.4f}" if isinstance(v, float) else v for v in row] for row in rows])


raw = drawn()
tifffile.imwrite("table.tif", raw, compression="zlib", predictor=True)
celsius = raw * 0.01 - 273.15
write("corners.csv", ["corner", "x_px", "y_px"], [[k, float(c[0]), float(c[1])] for k, c in enumerate(corners(celsius))])
write("lines.csv", ["course", "column", "x_px", "y_px"], [[r, c, float(x), float(y)] for r, c, x, y in lines(celsius)])
write(
    "modules.csv",
    ["course", "column", "median_c", "over_row_k"],
    [[r, c, float(v), float(d)] for r, c, v, d in medians(celsius)],
)
