#!/usr/bin/env python3
"""Reference values for thermal-core's `optics::PlaneView`: points of a tilted plane projected by OpenCV.

Requirements, pinned:  numpy==2.4.6  opencv-python==5.0.0
Run:                   python3 testdata/make_projection.py > testdata/projection.csv

Camera attitudes are composed here from elementary rotations (scipy-free, by numpy), on purpose in another way than in
the Rust code: yaw about the vertical, then pitch about the camera's right axis, then roll about the optical axis.
"""
import cv2
import numpy as np

rng = np.random.default_rng(62446)


def about(axis, deg):
    return cv2.Rodrigues(np.asarray(axis, float) * np.radians(deg))[0]


print(
    "width,height,focal_mm,pitch_um,yaw_deg,pitch_deg,roll_deg,tilt_deg,azimuth_deg,distance_m,"
    "along_m,down_m,px,py,px_per_m_along,px_per_m_down,view_angle_deg"
)
rows = 0
while rows < 200:
    width, height = [(640, 512), (320, 256), (1280, 1024)][rng.integers(3)]
    focal, micron = rng.uniform(6, 25), [12.0, 17.0][rng.integers(2)]
    yaw, pitch, roll = rng.uniform(0, 360), rng.uniform(-90, -30), rng.uniform(-10, 10)
    tilt, azimuth, distance = rng.uniform(0, 60), rng.uniform(0, 360), rng.uniform(8, 60)
    width, height = int(width), int(height)
    focal, yaw, pitch, roll, tilt, azimuth, distance = (
        round(float(v), 3) for v in (focal, yaw, pitch, roll, tilt, azimuth, distance)
    )
    # A level camera looking north: x east, y down, z north. Columns are the camera's axes in east, north, up.
    level = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]], float)
    cam = about([0, 0, 1], -yaw) @ about([1, 0, 0], pitch) @ level @ about([0, 0, 1], roll)
    # A level plane facing up whose lower edge is south, tilted about its lower edge and turned.
    turn = about([0, 0, 1], 180 - azimuth)
    tip = turn @ about([1, 0, 0], tilt)
    along, up, normal = tip[:, 0], tip[:, 1], tip[:, 2]
    axis = cam[:, 2]
    if axis @ -normal < 0.3:
        continue
    camera_at = -axis * distance
    point = rng.uniform(-0.25, 0.25, 2) * distance
    a, d = round(float(point[0]), 4), round(float(point[1]), 4)
    f = focal * 1000 / micron
    k = np.array([[f, 0, width / 2], [0, f, height / 2], [0, 0, 1]])
    rotation = cam.T
    translation = -rotation @ camera_at

    def project(a, d):
        world = along * a - up * d
        return cv2.projectPoints(world.reshape(1, 3), cv2.Rodrigues(rotation)[0], translation, k, None)[0].ravel()

    px = project(a, d)
    if not (0 < px[0] < width and 0 < px[1] < height):
        continue
    step = 0.0005
    per_m_along = np.linalg.norm(project(a + step, d) - project(a - step, d)) / (2 * step)
    per_m_down = np.linalg.norm(project(a, d + step) - project(a, d - step)) / (2 * step)
    sight = (along * a - up * d) - camera_at
    view = np.degrees(np.arccos(sight @ -normal / np.linalg.norm(sight)))
    given = [width, height, focal, micron, yaw, pitch, roll, tilt, azimuth, distance, a, d]
    print(",".join([*map(str, given), *(f"{v:.6f}" for v in (*px, per_m_along, per_m_down, view))]))
    rows += 1
