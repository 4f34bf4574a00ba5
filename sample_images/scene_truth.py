"""The true values of a rendered scene, measured on the finished geometry."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from camera import Pose, camera_pose, distort
from cloth_geometry import WovenCloth, colour_order, to_plane, v_centre
from layout import INCH_MM
from numpy.typing import NDArray
from scene_spec import Scene
from surroundings import card_corners_mm, page_corners_mm

__all__ = ["scene_truth", "shrinkage"]

Array = NDArray[np.float64]

WINDOW_MM = 10.0  # of the local pick density
STATION_MM = 5.0  # between the stations of the width profile
THICK = 1.4  # diameter against the yarn's; thinner swellings hardly differ from its usual unevenness
BIN_MM = 0.25  # along the warp, in which the outermost yarn surface is taken


def _edges(cloth: WovenCloth, v: Array, *, weft: bool) -> tuple[Array, Array]:
    """Return the (left, right) u of the outermost yarn surface in bins along the warp (NaN where bare)."""
    points = [cloth.warp.points, cloth.weft.points] if weft else [cloth.warp.points]
    p = np.concatenate(points)
    which = np.floor((p[:, 1] - (v[0] - BIN_MM / 2)) / BIN_MM).astype(int)
    inside = (which >= 0) & (which < len(v))
    left, right = np.full(len(v), np.inf), np.full(len(v), -np.inf)
    np.minimum.at(left, which[inside], p[inside, 0])
    np.maximum.at(right, which[inside], p[inside, 0])
    return left, right


def _pick_values(cloth: WovenCloth) -> tuple[Array, float]:
    v = cloth.layout.picks_at(np.zeros((len(cloth.layout.pick_v_mm), 1)))[:, 0]
    return v - v[0], float(v[0])


def _local_ppi(pick_v: Array) -> list[dict[str, float]]:
    out = []
    for start in np.arange(0.0, pick_v[-1] - WINDOW_MM + 1e-9, WINDOW_MM):
        # Picks counted in parts: the (fractional) pick number at both ends of the window.
        a, b = np.interp([start, start + WINDOW_MM], pick_v, np.arange(len(pick_v)))
        out.append(
            {"v0_mm": start, "v1_mm": start + WINDOW_MM, "ppi": round((b - a) / WINDOW_MM * INCH_MM, 4)}
        )
    return out


def _threads(scene: Scene, cloth: WovenCloth) -> dict[str, Any]:
    spec, layout = cloth.layout.cloth, cloth.layout
    pick_v, origin = _pick_values(cloth)
    middle_v = v_centre(layout)
    end_u = layout.ends_at(np.full((spec.ends, 1), middle_v))[:, 0]
    ends_everywhere = cloth.cross_u
    # As many left out on either side, as in counting with a rule inwards of the selvedges.
    a = int(0.2 * spec.ends)
    b = spec.ends - 1 - a
    centre_mm = float((ends_everywhere[:, b] - ends_everywhere[:, a]).mean())
    spacing = np.diff(pick_v)
    local = _local_ppi(pick_v)
    densities = np.array([w["ppi"] for w in local])
    across = float((ends_everywhere[:, -1] - ends_everywhere[:, 0]).mean())
    warp_letters, weft_letters = colour_order(spec)
    return {
        "weave": spec.weave,
        "ends_total": spec.ends,
        "picks_total": spec.picks,
        "picks_visible": spec.picks,
        "first_visible_pick": 0,
        "last_visible_pick": spec.picks - 1,
        "epi": round((spec.ends - 1) * INCH_MM / across, 4),
        "epi_centre": round((b - a) * INCH_MM / centre_mm, 4),
        "ppi": round((spec.picks - 1) * INCH_MM / float(pick_v[-1]), 4),
        "length_centre_to_centre_mm": round(float(pick_v[-1]), 4),
        "width_centre_to_centre_mm": round(across, 4),
        "local_ppi": local,
        "pick_spacing_cv": round(float(spacing.std() / spacing.mean()), 5),
        "local_ppi_cv": round(float(densities.std() / densities.mean()), 5) if len(densities) else None,
        "bow_mm": spec.bow_mm,
        "bow_percent_of_width": round(100 * spec.bow_mm / across, 4),
        "skew_mm_per_mm": spec.skew_mm_per_mm,
        "skew_deg": round(float(np.degrees(np.arctan(spec.skew_mm_per_mm))), 4),
        "bend_per_mm": spec.bend_per_mm,
        "steps": [
            {
                "v_mm": round(float(pick_v[s.pick_index]), 3),
                "pick_index": s.pick_index,
                "spacing_factor_after": s.factor,
            }
            for s in spec.steps
        ],
        "width_steps": [
            {
                "v_mm": round(float(pick_v[s.pick_index]), 3),
                "pick_index": s.pick_index,
                "width_factor_after": s.factor,
            }
            for s in spec.width_steps
        ],
        "faults": _faults(scene, pick_v),
        "thick_places": _thick_places(cloth, pick_v, origin, end_u),
        "sides": spec.sides,
        "yarn": {
            "warp_d_mm": round(spec.warp.diameter_mm * spec.wash.yarn_growth, 4),
            "weft_d_mm": round(spec.weft.diameter_mm * spec.wash.yarn_growth, 4),
            "warp_half_width_face": round(cloth.warp_half_width_mm, 4),
            "weft_half_width_face": round(cloth.weft_half_width_mm, 4),
            "ply_warp": spec.warp.plies,
            "ply_weft": spec.weft.plies,
        },
        "warp_palette": list(spec.warp_palette),
        "weft_palette": list(spec.weft_palette),
        "warp_colour_sequence": warp_letters,
        "weft_colour_sequence": weft_letters,
        "pick_v_mm": [round(float(x), 4) for x in pick_v],
        "end_u_mm": [round(float(x), 4) for x in end_u],
        "end_u_at_v_mm": round(middle_v - origin, 4),
        "v_origin_fabric_mm": round(origin, 5),
        "height_of_cloth_mid_mm": round(cloth.mid_height_mm, 3),
        "cloth_thickness_mm": round(cloth.thickness_mm, 3),
    }


def _thick_places(cloth: WovenCloth, pick_v: Array, origin: float, end_u: Array) -> list[dict[str, Any]]:
    """List the slubs that the yarns have of their own: nobody planted them, but they are in the cloth."""
    (grid_v, warp), (grid_u, weft) = cloth.warp_thickness, cloth.weft_thickness
    out: list[dict[str, Any]] = []
    for of, along, threads, low, high in (
        ("end", grid_v - origin, warp, 0.0, float(pick_v[-1])),
        ("pick", grid_u, weft, float(end_u[0]), float(end_u[-1])),
    ):
        inside = (along >= low) & (along <= high)
        for index, thread in enumerate(threads):
            thick = np.concatenate([[False], (thread > THICK) & inside, [False]])
            starts, stops = np.flatnonzero(~thick[:-1] & thick[1:]), np.flatnonzero(thick[:-1] & ~thick[1:])
            for start, stop in zip(starts, stops, strict=True):
                out.append(
                    {
                        "of": of,
                        "index": index,
                        "from_mm": round(float(along[start]), 2),
                        "to_mm": round(float(along[stop - 1]), 2),
                        "times_usual": round(float(thread[start:stop].max()), 2),
                    }
                )
    return out


def _faults(scene: Scene, pick_v: Array) -> list[dict[str, Any]]:
    assert scene.cloth is not None
    out: list[dict[str, Any]] = []
    for f in scene.cloth.faults:
        if f.kind == "missed_pick":
            out.append({"kind": f.kind, "after_pick_index": f.pick_index})
        elif f.kind == "double_pick":
            out.append({"kind": f.kind, "pick_indices": [f.pick_index, f.pick_index + 1]})
        elif f.kind == "loose_end":
            half = 0.5 * f.length * INCH_MM / scene.cloth.ppi
            at = round(float(pick_v[f.pick_index]), 3)
            out.append(
                {"kind": f.kind, "end_index": f.end_index, "v_mm": at, "half_length_mm": round(half, 3)}
            )
        elif f.kind == "missing_end":
            out.append({"kind": f.kind, "after_end_index": f.end_index})
        elif f.kind == "crowded_edge":
            side = "first" if f.end_index < scene.cloth.ends / 2 else "last"
            out.append({"kind": f.kind, "side": side, "ends": f.length})
        else:
            out.append(
                {"kind": f.kind, "end_index": f.end_index, "pick_index": f.pick_index, "length": f.length}
            )
    return out


def _widths(cloth: WovenCloth) -> tuple[dict[str, Any], Array, Array, Array]:
    layout = cloth.layout
    _, origin = _pick_values(cloth)
    first = float(layout.pick_v_mm[0]) - cloth.weft_half_width_mm
    last = float(layout.pick_v_mm[-1]) + cloth.weft_half_width_mm
    v = np.arange(first + BIN_MM / 2, last, BIN_MM)
    left, right = _edges(cloth, v, weft=True)
    warp_left, warp_right = _edges(cloth, v, weft=False)
    width, width_warp = right - left, warp_right - warp_left
    ends = layout.ends_at(np.broadcast_to(v, (layout.cloth.ends, len(v))))
    inner = ends[-1] - ends[0]
    profile = []
    for station in np.arange(first + STATION_MM, last - STATION_MM / 2, STATION_MM):
        near = np.abs(v - station) <= STATION_MM / 2
        profile.append(
            {
                "v_mm": round(float(station) - origin, 3),
                "width_mm": round(float(width[near].mean()), 4),
                "width_warp_mm": round(float(width_warp[near].mean()), 4),
                "width_centre_to_centre_mm": round(float(inner[near].mean()), 4),
                "epi": round((layout.cloth.ends - 1) * INCH_MM / float(inner[near].mean()), 4),
            }
        )
    stations = np.array([p["width_mm"] for p in profile])
    truth = {
        "width_mean_mm": round(float(width.mean()), 4),
        "width_min_mm": round(float(stations.min()), 4),
        "width_max_mm": round(float(stations.max()), 4),
        "width_sd_mm": round(float(stations.std()), 4),
        "width_warp_mean_mm": round(float(width_warp.mean()), 4),
        "width_peak_to_peak_loops_mm": round(float(right.max() - left.min()), 4),
        "epi_by_width": round(layout.cloth.ends * INCH_MM / float(width.mean()), 4),
        "length_visible_mm": round(last - first, 4),
        "whole_sample_in_frame": True,
        "width_profile": profile,
    }
    return truth, v, left, right


def _to_px(cloth: WovenCloth, u: Array, v: Array, z_mm: float, scene: Scene, pose: Pose) -> Array:
    x, y = to_plane(cloth.layout, u, v)
    flat = pose.project(np.column_stack([x, y, np.full(len(x), z_mm)]))
    return distort(flat, scene.camera, pose)


def _rounded(points: Array, digits: int = 2) -> list[list[float]]:
    return [[round(float(a), digits), round(float(b), digits)] for a, b in points]


def _outline(scene: Scene, cloth: WovenCloth, pose: Pose, lift: float) -> dict[str, Any]:
    truth, v, left, right = _widths(cloth)
    nodes = np.linspace(v[0], v[-1], 75)
    # The mean edge: turns averaged over some 6 mm.
    kernel = np.ones(25) / 25
    ends = np.convolve(np.ones(len(v)), kernel, "same")
    smooth_l = np.interp(nodes, v, np.convolve(left, kernel, "same") / ends)
    smooth_r = np.interp(nodes, v, np.convolve(right, kernel, "same") / ends)
    u_around, v_around = np.concatenate([smooth_l, smooth_r[::-1]]), np.concatenate([nodes, nodes[::-1]])
    x, y = to_plane(cloth.layout, u_around, v_around)
    mid = cloth.mid_height_mm + lift
    pick_v, origin = _pick_values(cloth)
    step = max(1, round(1.0 / BIN_MM))
    u_rim = np.concatenate([left[::step], right[::step][::-1]])
    v_rim = np.concatenate([v[::step], v[::step][::-1]])
    middle_v = v_centre(cloth.layout)
    end_u = cloth.layout.ends_at(np.full((cloth.layout.cloth.ends, 1), middle_v))[:, 0]
    truth |= {
        "sample_polygon_px": _rounded(_to_px(cloth, u_around, v_around, mid, scene, pose)),
        "silhouette_polygon_px": _rounded(_to_px(cloth, u_rim, v_rim, mid, scene, pose)),
        "sample_polygon_mm": _rounded(np.column_stack([x, y]), 3),
        "pick_axis_px": _rounded(_to_px(cloth, 0 * pick_v, pick_v + origin, mid, scene, pose)),
        "end_mid_px": _rounded(_to_px(cloth, end_u, np.full(len(end_u), middle_v), mid, scene, pose)),
    }
    frame = np.array(truth["silhouette_polygon_px"])
    size = (scene.camera.width_px, scene.camera.height_px)
    truth["whole_sample_in_frame"] = bool((frame >= 0).all() and (frame <= np.array(size) - 1).all())
    return truth


def _references(scene: Scene, pose: Pose, card_bottom_mm: float) -> dict[str, Any]:
    """Return what is known about the card and the page."""
    out: dict[str, Any] = {"card": None}
    if scene.card is not None:
        top = card_bottom_mm + scene.card.thickness_mm
        corners = card_corners_mm(scene.card)
        px = distort(pose.project(np.column_stack([corners, np.full(4, top)])), scene.camera, pose)
        out["card"] = {
            "kind": "id1",
            "width_mm": scene.card.width_mm,
            "height_mm": scene.card.height_mm,
            "corner_radius_mm": scene.card.corner_radius_mm,
            "thickness_mm": scene.card.thickness_mm,
            "top_z_mm": round(top, 3),
            "on_cloth": scene.card.on_cloth,
            "corners_mm": _rounded(corners, 4),
            "corners_px": _rounded(px, 3),
            "note": "corners of the sharp-cornered rectangle, top face; order top-left, top-right, "
            "bottom-right, bottom-left in the card's own frame",
        }
    elif scene.page is not None:
        page = scene.page
        corners = page_corners_mm(page)
        px = distort(
            pose.project(np.column_stack([corners, np.full(4, page.thickness_mm)])), scene.camera, pose
        )
        out["card"] = {
            "kind": "page",
            "code": page.code,
            "width_mm": page.width_mm,
            "height_mm": page.height_mm,
            "thickness_mm": page.thickness_mm,
            "top_z_mm": page.thickness_mm,
            "on_cloth": False,
            "corners_mm": _rounded(corners, 4),
            "corners_px": _rounded(px, 3),
            "note": "corners of the sheet; order top-left, top-right, bottom-right, bottom-left of the page",
        }
    return out


def scene_truth(scene: Scene, cloth: WovenCloth | None, card_bottom_mm: float) -> dict[str, Any]:
    """Return the true values; see README.md in this folder for the fields.

    Parameters
    ----------
    scene : Scene
    cloth : WovenCloth or None
        The cloth built from ``scene.cloth``.
    card_bottom_mm : float
        Height of the card's lower face above the table.

    Returns
    -------
    dict
        Ready for JSON. Lengths mm, densities per 25.4 mm, pixels with the centre of the first at (0, 0).
    """
    camera, pose = scene.camera, camera_pose(scene.camera)
    truth: dict[str, Any] = {
        "name": scene.name,
        "kind": "woven" if cloth is not None else "not_woven",
        "difficulty": scene.difficulty,
        "seed": scene.seed,
        "image_size": [camera.width_px, camera.height_px],
        "unit": "mm",
    }
    lift = scene.page.thickness_mm if scene.page is not None else 0.0
    truth |= _references(scene, pose, card_bottom_mm)
    card_z = truth["card"]["top_z_mm"] if truth["card"] else 0.0
    cloth_z = 0.0
    if cloth is not None:
        truth |= _threads(scene, cloth) | _outline(scene, cloth, pose, lift)
        cloth_z = cloth.mid_height_mm + lift
        layout = cloth.layout
        truth["height_of_cloth_mid_mm"] = round(cloth_z, 3)
        truth["fabric_to_plane"] = {
            "theta_rad": float(np.radians(layout.cloth.turn_deg)),
            "tx": layout.cloth.x_mm,
            "ty": layout.cloth.y_mm,
            "bend_per_mm": layout.cloth.bend_per_mm,
            "v_centre_mm": v_centre(layout),
            "formula": "v'=v_truth+v_origin_fabric_mm-v_centre; bend==0: (X,Y)=(u,v'), else "
            "X=(1-cos(k v'))/k+u cos(k v'), Y=sin(k v')/k-u sin(k v'); (x,y)=R(theta)(X,Y)+(tx,ty)",
        }
        truth["scale_bias_percent_if_card_plane_used"] = (
            0.0
            if camera.dpi
            else round(100 * ((camera.distance_mm - card_z) / (camera.distance_mm - cloth_z) - 1), 3)
        )
    if truth["card"]:
        truth["homography_card_top_mm_to_undistorted_px"] = pose.homography(card_z).tolist()
    truth["homography_table_mm_to_undistorted_px"] = pose.homography(0.0).tolist()
    truth["homography_cloth_mm_to_undistorted_px"] = pose.homography(cloth_z).tolist()
    scale = pose.px_per_mm if pose.px_per_mm is not None else pose.f_px / camera.distance_mm
    truth |= {
        "distortion": {
            "k1": camera.k1,
            "f_px": pose.f_px,
            "cx": pose.cx,
            "cy": pose.cy,
            "note": "x_d = x_u (1 + k1 r_u^2), x = (px - c)/f ; OpenCV radial model",
        },
        "px_per_mm_at_centre": round(scale, 4),
        "orthographic_px_per_mm": pose.px_per_mm,
        "dpi": camera.dpi,
        "camera": {
            "dist_mm": camera.distance_mm,
            "tilt_deg": camera.tilt_deg,
            "tilt_azimuth_deg": camera.tilt_azimuth_deg,
            "roll_deg": camera.roll_deg,
            "f35_mm": camera.f35_mm,
            "exif_orientation": 1,
        },
        "light": asdict(scene.light),
        "table": scene.table.kind,
        "post": asdict(scene.post),
        "quality": scene.post.quality,
        "pair": None,
        "note": scene.note,
    }
    return truth


def shrinkage(before: dict[str, Any], after: dict[str, Any]) -> dict[str, float]:
    """Return the true change of the same sample between two truths; positive means it shrank (percent)."""

    def percent(key: str) -> float:
        return round(100.0 * (1.0 - float(after[key]) / float(before[key])), 4)

    return {
        "warp_percent": percent("length_centre_to_centre_mm"),
        "weft_percent": percent("width_centre_to_centre_mm"),
        "length_outer_percent": percent("length_visible_mm"),
        "width_outer_percent": percent("width_mean_mm"),
        "width_warp_percent": percent("width_warp_mean_mm"),
        "epi_ratio": round(after["epi"] / before["epi"], 5),
        "ppi_ratio": round(after["ppi"] / before["ppi"], 5),
    }
