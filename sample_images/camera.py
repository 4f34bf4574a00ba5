"""The camera: where points of the scene fall on the picture, and what lens and electronics do to the light."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from layout import INCH_MM
from numpy.typing import NDArray
from PIL import Image
from scene_spec import Camera, Post, Scene

__all__ = ["Pose", "camera_pose", "develop", "distort", "write_picture"]

Array = NDArray[np.float64]

FULL_FRAME_DIAGONAL_MM = 43.2666  # 36 mm by 24 mm; "35 mm equivalent" compares diagonals


@dataclass(frozen=True)
class Pose:
    """Camera matrix, rotation (world to camera) and centre; a scanner has `px_per_mm` and parallel rays."""

    f_px: float
    cx: float
    cy: float
    rotation: Array
    centre: Array
    px_per_mm: float | None

    def homography(self, z_mm: float) -> Array:
        """Return the 3 x 3 mapping from the plane at height `z_mm` (X, Y in mm) to undistorted pixels."""
        if self.px_per_mm is not None:
            s = self.px_per_mm
            return np.array([[s, 0.0, self.cx], [0.0, -s, self.cy], [0.0, 0.0, 1.0]])
        k = np.array([[self.f_px, 0.0, self.cx], [0.0, self.f_px, self.cy], [0.0, 0.0, 1.0]])
        t = self.rotation @ (np.array([0.0, 0.0, z_mm]) - self.centre)
        h = k @ np.column_stack([self.rotation[:, 0], self.rotation[:, 1], t])
        return np.asarray(h / h[2, 2])

    def project(self, points: Array) -> Array:
        """Return undistorted pixels (K, 2) of points (K, 3)."""
        if self.px_per_mm is not None:
            return np.column_stack(
                [self.cx + self.px_per_mm * points[:, 0], self.cy - self.px_per_mm * points[:, 1]]
            )
        q = (points - self.centre) @ self.rotation.T
        return np.column_stack(
            [self.cx + self.f_px * q[:, 0] / q[:, 2], self.cy + self.f_px * q[:, 1] / q[:, 2]]
        )


def camera_pose(camera: Camera) -> Pose:
    """Return the pose of a camera that looks at the middle of the table."""
    cx, cy = (camera.width_px - 1) / 2.0, (camera.height_px - 1) / 2.0
    f_px = float(np.hypot(camera.width_px, camera.height_px)) / FULL_FRAME_DIAGONAL_MM * camera.f35_mm
    tilt, azimuth, roll = np.radians([camera.tilt_deg, camera.tilt_azimuth_deg, camera.roll_deg])
    centre = camera.distance_mm * np.array(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)]
    )
    forward = -centre / np.linalg.norm(centre)
    right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(roll), np.sin(roll)
    rotation = np.array([c * right + s * down, -s * right + c * down, forward])
    px_per_mm = None if camera.dpi is None else camera.dpi / INCH_MM
    return Pose(f_px, cx, cy, rotation, centre, px_per_mm)


def distort(points_px: Array, camera: Camera, pose: Pose) -> Array:
    """Apply radial distortion x_d = x (1 + k1 r^2), x in units of the focal length."""
    x = (points_px - [pose.cx, pose.cy]) / pose.f_px
    r2 = (x**2).sum(axis=1, keepdims=True)
    return np.asarray([pose.cx, pose.cy] + x * (1.0 + camera.k1 * r2) * pose.f_px)


def _lens(picture: NDArray[np.float32], camera: Camera, pose: Pose, margin_px: int) -> NDArray[np.float32]:
    """Bend the pinhole picture (rendered with a margin) as the lens does; cut the margin off."""
    h, w = camera.height_px, camera.width_px
    if camera.k1 == 0.0:
        return picture[margin_px : margin_px + h, margin_px : margin_px + w]
    y, x = np.mgrid[:h, :w].astype(np.float64)
    x, y = (x - pose.cx) / pose.f_px, (y - pose.cy) / pose.f_px
    ux, uy = x.copy(), y.copy()
    for _ in range(6):  # fixed point of u = d / (1 + k1 |u|^2); k1 is small
        scale = 1.0 + camera.k1 * (ux**2 + uy**2)
        ux, uy = x / scale, y / scale
    map_x = (ux * pose.f_px + pose.cx + margin_px).astype(np.float32)
    map_y = (uy * pose.f_px + pose.cy + margin_px).astype(np.float32)
    return np.asarray(
        cv2.remap(picture, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def _expose(picture: NDArray[np.float32], post: Post) -> NDArray[np.float32]:
    light = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    gain = post.brightness / float(light.mean())
    top = float(np.percentile(light[::4, ::4], 99.7))
    gain = min(gain, 0.86 / top)
    return np.asarray(picture * gain * np.asarray(post.white_balance, np.float32), np.float32)


def _noise(picture: NDArray[np.float32], post: Post, rng: np.random.Generator) -> NDArray[np.float32]:
    """Shot and read noise; chroma noise is coarser, as the colour filter mosaic leaves it."""
    h, w = picture.shape[:2]
    sigma = np.sqrt(post.shot_noise * np.clip(picture, 0, None) + post.read_noise**2)
    fine = rng.standard_normal((h, w, 1), dtype=np.float32)
    coarse = rng.standard_normal((h, w, 3), dtype=np.float32)
    coarse = np.asarray(cv2.GaussianBlur(coarse, (0, 0), 0.8), np.float32) * 2.2
    return np.asarray(picture + sigma * (0.75 * fine + 0.55 * coarse), np.float32)


def develop(
    linear: NDArray[np.float32], scene: Scene, pose: Pose, margin_px: int, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Turn rendered light into the 8-bit picture that a phone or scanner would store.

    Parameters
    ----------
    linear : ndarray of float32, shape (H + 2 margin, W + 2 margin, 3)
    scene : Scene
    pose : Pose
    margin_px : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of uint8, shape (H, W, 3), sRGB
    """
    post, camera = scene.post, scene.camera
    # Rays of the path tracer that met the light by chance ("fireflies") would look like dead pixels.
    calm = cv2.medianBlur(np.ascontiguousarray(linear), 3)
    picture = np.where(linear > 3.0 * calm + 0.05, calm, linear)
    picture = _lens(np.asarray(picture, np.float32), camera, pose, margin_px)
    picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), post.blur_px), np.float32)
    h, w = picture.shape[:2]
    y, x = np.mgrid[:h, :w].astype(np.float32)
    r2 = ((x - pose.cx) ** 2 + (y - pose.cy) ** 2) / (pose.cx**2 + pose.cy**2)
    picture = _expose(picture * (1.0 - post.vignette * r2)[..., None], post)
    picture = np.clip(_noise(picture, post, rng), 0.0, 1.0)
    tone = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * picture ** (1 / 2.4) - 0.055)
    tone = (1 - post.contrast) * tone + post.contrast * tone * tone * (3 - 2 * tone)
    tone = tone.astype(np.float32)
    soft = cv2.GaussianBlur(tone, (0, 0), 1.2)
    tone = np.clip(tone + post.sharpen * (tone - soft), 0.0, 1.0)
    return np.asarray(np.round(tone * 255.0), np.uint8)


def write_picture(path: Path, picture: NDArray[np.uint8], scene: Scene) -> None:
    """Write the JPEG with the tags a phone (focal length) or a scanner (resolution) leaves."""
    image = Image.fromarray(picture)
    exif = Image.Exif()
    exif[0x010E] = "Rendered demo picture, not a photograph"  # ImageDescription
    exif[0x0112] = 1  # Orientation
    if scene.camera.dpi is None:
        detail = exif.get_ifd(0x8769)
        detail[0x9003] = scene.taken  # DateTimeOriginal
        detail[0xA405] = round(scene.camera.f35_mm)  # FocalLengthIn35mmFilm
        dpi = (72, 72)
    else:
        dpi = (scene.camera.dpi, scene.camera.dpi)
    store = io.BytesIO()
    image.save(store, "JPEG", quality=scene.post.quality, subsampling=2, dpi=dpi, exif=exif)
    part = path.with_suffix(path.suffix + ".part")
    part.write_bytes(store.getvalue())
    part.replace(path)
