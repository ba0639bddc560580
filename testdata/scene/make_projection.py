"""Reference numbers for the drawing's camera, from OpenCV and SciPy.

Run: python3 make_projection.py > projection.csv
Pinned: opencv-python-headless 4.x (projectPoints, undistortPoints), scipy 1.x (Rotation), numpy; the versions that
made the file stand in its first line.

A line holds a pose (yaw, pitch, roll, deg), the rotation from the world (east, north, up) to the camera, focal length
and size, px, k1, a point in the world relative to the camera, its pixel without distortion (projectPoints), and its pixel
with it. Our lens undistorts by 1 + k1 r^2, which is the form in which OpenCV distorts; so the distorted pixel is where
OpenCV's inverse (undistortPoints) takes the plain one.
"""
import cv2
import numpy as np
import scipy
from scipy.spatial.transform import Rotation

rng = np.random.default_rng(5)
print(f"# opencv {cv2.__version__}, scipy {scipy.__version__}, numpy {np.__version__}")
print("yaw,pitch,roll," + ",".join(f"r{i}{j}" for i in range(3) for j in range(3)) + ",focal,width,height,k1,e,n,u,x,y,xd,yd")
# Camera axes (right, down, forward) in the world of a camera that looks north, level.
level = np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0]], float)
poses = [(0, -65, 0), (180, -55, 0), (12.5, -89, 3), (273, -70, -14), (-40, -80, 100), (95, -60, 175)]
for yaw, pitch, roll in poses:
    # About the vertical, then the camera's right, then its own axis; clockwise seen from above and from behind.
    world = Rotation.from_euler("z", -yaw, degrees=True).as_matrix() @ level
    world = world @ Rotation.from_euler("x", pitch, degrees=True).as_matrix()
    world = world @ Rotation.from_euler("z", roll, degrees=True).as_matrix()
    to_camera = world.T
    for k1 in (-0.1, 0.0, 0.05):
        focal, width, height = [(1083.333, 640, 512), (750.0, 320, 256), (1583.3, 1280, 1024)][rng.integers(3)]
        matrix = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1]])
        for _ in range(2):
            x, y = rng.uniform(-0.95, 0.95, 2) * [width / 2 / focal, height / 2 / focal]
            point = world @ (np.array([x, y, 1.0]) * rng.uniform(15, 40))
            rvec = cv2.Rodrigues(to_camera)[0]
            plain = cv2.projectPoints(point.reshape(1, 1, 3), rvec, np.zeros(3), matrix, None)[0].ravel()
            criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-14)
            distorted = cv2.undistortPoints(
                plain.reshape(1, 1, 2), matrix, np.array([k1, 0, 0, 0.0]), P=matrix, criteria=criteria).ravel()
            numbers = [yaw, pitch, roll, *to_camera.ravel(), focal, width, height, k1, *point, *plain, *distorted]
            print(",".join(f"{v:.9g}" for v in numbers))
