"""Path tracing of one scene with Mitsuba 3 (optional; only the demo pictures need it)."""

from __future__ import annotations

import glob
import os
from typing import Any

import numpy as np
from camera import camera_pose
from cloth_geometry import WovenCloth, to_plane
from numpy.typing import NDArray
from piece_mesh import piece_meshes
from scene_spec import Light, Page, Scene
from surroundings import card_mesh, page_corners_mm, table_texture
from yarn_mesh import Mesh

__all__ = ["LANES", "MARGIN_PX", "lights", "load_mitsuba", "sensor", "table", "trace"]

MARGIN_PX = 40  # beyond the frame, for the lens distortion
RAIL_ON_SHEET_MM, RAILS_PER_SHEET = (11.0, 33.0, 53.0), 3  # left, first top and step of the parts of a rail
LANES = 6_000_000  # light paths traced at once; bounds the memory to some 3 GB


def load_mitsuba() -> Any:
    """Import Mitsuba with the fast LLVM back end where Debian's libllvm19 is present, else the scalar one."""
    libraries = sorted(glob.glob("/usr/lib/*/libLLVM*19*"))
    if "DRJIT_LIBLLVM_PATH" not in os.environ and libraries:
        os.environ["DRJIT_LIBLLVM_PATH"] = libraries[0]
    import mitsuba as mi

    # Older LLVM libraries abort the process, so they are not tried.
    mi.set_variant("llvm_ad_rgb" if "DRJIT_LIBLLVM_PATH" in os.environ else "scalar_rgb")
    return mi


def _mesh(mi: Any, name: str, mesh: Mesh, bsdf: dict[str, Any]) -> Any:
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf)
    shape = mi.Mesh(
        name,
        len(mesh.points),
        len(mesh.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=False,
        props=props,
    )
    shape.add_attribute("vertex_color", 3, np.ascontiguousarray(mesh.colours, np.float32).ravel())
    params = mi.traverse(shape)
    params["vertex_positions"] = np.ascontiguousarray(mesh.points, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(mesh.normals, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(mesh.faces, np.uint32).ravel()
    params.update()
    return shape


def _placed(mesh: Mesh, cloth: WovenCloth, lift_mm: float) -> Mesh:
    """Lay a mesh of the fabric frame on the table."""
    x, y = to_plane(cloth.layout, mesh.points[:, 0], mesh.points[:, 1])
    tip = mesh.points + mesh.normals * 1e-3
    nx, ny = to_plane(cloth.layout, tip[:, 0], tip[:, 1])
    normals = np.column_stack([(nx - x) * 1e3, (ny - y) * 1e3, mesh.normals[:, 2]])
    points = np.column_stack([x, y, mesh.points[:, 2] + lift_mm])
    return Mesh(points, normals, mesh.colours, mesh.faces)


def _yarn_bsdf(hairy: bool) -> dict[str, Any]:
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    if hairy:
        return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}
    return {
        "type": "twosided",
        "bsdf": {
            "type": "principled",
            "base_color": colour,
            "roughness": 0.62,
            "specular": 0.35,
            "sheen": 0.5,
        },
    }


def _bitmap(mi: Any, array: NDArray[np.float64]) -> dict[str, Any]:
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(array, np.float32)),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": "clamp",
    }


def lights(mi: Any, scene: Scene) -> dict[str, Any]:
    """Return the window, the second source if there is one, and the light that the room throws back."""
    light = scene.light
    room = light.ambient * (2.0 - _tint(light))
    parts = {
        "window": _source(mi, light, 1.0 - light.ambient),
        "room": {"type": "constant", "radiance": {"type": "rgb", "value": room.tolist()}},
    }
    return parts if scene.lamp is None else parts | {"lamp": _source(mi, scene.lamp, 1.0 - light.ambient)}


def _tint(light: Light) -> NDArray[np.float64]:
    return np.array([1.0 + light.warmth, 1.0, 1.0 - light.warmth])


def _source(mi: Any, light: Light, share: float) -> dict[str, Any]:
    """Return a square source that lights the middle of the table with `share` of the light there."""
    az, el = np.radians([light.azimuth_deg, light.elevation_deg])
    at = light.distance_mm * np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    frame = mi.ScalarTransform4f().look_at(
        origin=at.tolist(), target=[0.0, 0.0, 0.0], up=[0.0, 0.0, 1.0] if el < 1.5 else [0.0, 1.0, 0.0]
    )
    solid = (2 * light.half_size_mm) ** 2 / light.distance_mm**2 * np.sin(el)
    radiance = share * np.pi / solid * _tint(light)
    return {
        "type": "rectangle",
        "to_world": frame @ mi.ScalarTransform4f().scale([light.half_size_mm, light.half_size_mm, 1.0]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": radiance.tolist()}},
    }


def table(mi: Any, scene: Scene) -> dict[str, Any]:
    """Return the table top with the floor around it."""
    camera = scene.camera
    width, height = (520.0, 420.0) if camera.dpi is None else (320.0, 320.0)
    texture = table_texture(scene.table, width, height, 8.0, scene.seed)
    surface: dict[str, Any] = {"type": "diffuse", "reflectance": _bitmap(mi, texture)}
    if scene.table.kind in ("oak", "walnut", "speckled"):
        surface = {
            "type": "principled",
            "base_color": _bitmap(mi, texture),
            "roughness": 0.45,
            "specular": 0.4,
        }
    grow = mi.ScalarTransform4f().scale([width / 2, height / 2, 1.0])
    far = mi.ScalarTransform4f().translate([0.0, 0.0, -0.05]) @ mi.ScalarTransform4f().scale(3000.0)
    shade = texture.mean(axis=(0, 1)).tolist()
    return {
        "table": {"type": "rectangle", "to_world": grow, "bsdf": surface},
        "floor": {
            "type": "rectangle",
            "to_world": far,
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": shade}},
        },
    }


def _drawing(page: Page) -> NDArray[np.uint8]:
    """Return the printed card as pickglass draws it; the parts of a rail are cut out and joined."""
    from pickglass.calibration.card_design import RAIL_HEIGHT_MM, RAIL_PART_MM, parse_card_code
    from pickglass.calibration.card_pdf import card_preview
    from pickglass.calibration.card_sheets import card_sheets

    code, scale = parse_card_code(page.code), 14.0
    if code.kind != "rail":
        return card_preview(card_sheets(code)[:1], dots_per_mm=scale)
    left, top, step = RAIL_ON_SHEET_MM
    size = (round(RAIL_HEIGHT_MM * scale), round(RAIL_PART_MM * scale))
    parts: list[NDArray[np.uint8]] = []
    for sheet in card_sheets(code, length_mm=page.width_mm):
        drawing = card_preview([sheet], dots_per_mm=scale)
        for k in range(RAILS_PER_SHEET):
            row, column = round((top + k * step) * scale), round(left * scale)
            parts.append(drawing[row : row + size[0], column : column + size[1]])
    return np.concatenate(parts[: round(page.width_mm / RAIL_PART_MM)], axis=1)


def _page(mi: Any, scene: Scene) -> dict[str, Any]:
    page = scene.page
    assert page is not None
    srgb = np.asarray(_drawing(page), np.float64) / 255.0
    if srgb.ndim == 2:
        srgb = np.repeat(srgb[..., None], 3, axis=2)
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    linear = linear[::-1]  # the texture's first row lies at the near edge
    # Printed black still throws back some light, paper not all of it.
    linear = 0.035 + linear * (np.array([0.80, 0.79, 0.77]) - 0.035)
    place = (
        mi.ScalarTransform4f()
        .translate([page.x_mm, page.y_mm, page.thickness_mm])
        .rotate([0.0, 0.0, 1.0], page.turn_deg)
        .scale([page.width_mm / 2, page.height_mm / 2, 1.0])
    )
    corners = page_corners_mm(page)
    side = np.concatenate([np.column_stack([corners, np.full(4, z)]) for z in (0.0, page.thickness_mm)])
    i = np.arange(4)
    j = (i + 1) % 4
    faces = np.concatenate([np.column_stack([i, j, j + 4]), np.column_stack([i, j + 4, i + 4])])
    out = np.column_stack([corners - [page.x_mm, page.y_mm], np.zeros(4)])
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    rim = Mesh(side, np.concatenate([out, out]), np.full((8, 3), 0.75), faces)
    attribute = {"type": "mesh_attribute", "name": "vertex_color"}
    rim_bsdf = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": attribute}}
    return {
        "page": {
            "type": "rectangle",
            "to_world": place,
            "bsdf": {"type": "diffuse", "reflectance": _bitmap(mi, linear)},
        },
        "page_rim": _mesh(mi, "page_rim", rim, rim_bsdf),
    }


def sensor(mi: Any, scene: Scene, rows: tuple[int, int]) -> Any:
    """Return a sensor for some rows of the picture (with margin)."""
    camera = scene.camera
    pose = camera_pose(camera)
    w, h = camera.width_px + 2 * MARGIN_PX, camera.height_px + 2 * MARGIN_PX
    film = {
        "type": "hdrfilm",
        "width": w,
        "height": h,
        "crop_offset_x": 0,
        "crop_offset_y": rows[0],
        "crop_width": w,
        "crop_height": rows[1] - rows[0],
        "rfilter": {"type": "box"},
        "pixel_format": "rgb",
        "component_format": "float32",
    }
    sampler = {"type": "multijitter", "sample_count": scene.samples}
    if pose.px_per_mm is not None:
        half = w / 2 / pose.px_per_mm
        frame = mi.ScalarTransform4f().look_at(origin=[0, 0, 300], target=[0, 0, 0], up=[0, 1, 0])
        frame = frame @ mi.ScalarTransform4f().scale([half, half, 1.0])
        return mi.load_dict({"type": "orthographic", "to_world": frame, "film": film, "sampler": sampler})
    forward, down = pose.rotation[2], pose.rotation[1]
    frame = mi.ScalarTransform4f().look_at(
        origin=pose.centre.tolist(), target=(pose.centre + forward).tolist(), up=(-down).tolist()
    )
    fov = 2 * np.degrees(np.arctan(w / 2 / pose.f_px))
    return mi.load_dict(
        {
            "type": "perspective",
            "to_world": frame,
            "fov": float(fov),
            "fov_axis": "x",
            "near_clip": 10.0,
            "film": film,
            "sampler": sampler,
        }
    )


def trace(scene: Scene, cloth: WovenCloth | None, card_bottom_mm: float) -> NDArray[np.float32]:
    """Return the light at each pixel, shape (H + 2 margin, W + 2 margin, 3), linear."""
    mi = load_mitsuba()
    parts: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": 4, "rr_depth": 5}}
    parts |= lights(mi, scene) | table(mi, scene)
    lift = 0.0
    if scene.page is not None:
        parts |= _page(mi, scene)
        lift = scene.page.thickness_mm
    if scene.card is not None:
        colour = {"type": "mesh_attribute", "name": "vertex_color"}
        plastic = {"type": "principled", "base_color": colour, "roughness": 0.4, "specular": 0.45}
        plate = card_mesh(scene.card, card_bottom_mm)
        parts["card"] = _mesh(mi, "card", plate, {"type": "twosided", "bsdf": plastic})
    if cloth is not None:
        for name, mesh in (("warp", cloth.warp), ("weft", cloth.weft), ("fuzz", cloth.fuzz)):
            if mesh is not None:
                parts[name] = _mesh(mi, name, _placed(mesh, cloth, lift), _yarn_bsdf(name == "fuzz"))
    if scene.piece is not None:
        for name, mesh in piece_meshes(scene.piece, scene.seed).items():
            parts[name] = _mesh(mi, name, mesh, _yarn_bsdf(name == "fuzz"))
    world = mi.load_dict(parts)
    w, h = scene.camera.width_px + 2 * MARGIN_PX, scene.camera.height_px + 2 * MARGIN_PX
    strip = max(1, min(h, LANES // (w * scene.samples)))
    out = np.zeros((h, w, 3), np.float32)
    for n, top in enumerate(range(0, h, strip)):
        rows = (top, min(top + strip, h))
        lens = sensor(mi, scene, rows)
        light = mi.render(world, sensor=lens, spp=scene.samples, seed=(scene.seed * 1000 + n) % 2**32)
        out[rows[0] : rows[1]] = np.array(light)[:, :, :3]
    # A path that grazes a facet may come back as no number; the camera's clean-up takes a dark point away.
    return np.nan_to_num(out)
