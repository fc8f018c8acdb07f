"""Path tracing: parts, a camera and a light in; linear light and the share of each class in every pixel out.

The only module of the simulator that needs the renderer (extra ``simulate``). It picks the fastest variant
that works on the machine: a graphics card, then LLVM (19 works, 16 does not), then the plain one.
"""

from __future__ import annotations

import copy
import functools
import subprocess
import sys
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from turfeye.colourspace import RGB_TO_XYZ
from turfeye.records import CLASSES, Floats, View
from turfeye.simulate.mesh import Part, merged
from turfeye.view import camera_matrix

VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
SAMPLES_A_PASS = 32e6
Sky = Literal["clear", "shade", "overcast"]
LLVM_TRIAL = Path(__file__).with_name("llvm_trial.py")
TOP_M = 0.6  # where a camera straight above hangs, over grass and under furniture
OVERCAST_RGB = (0.96, 1.0, 1.06)
_ON_LAWN = 8.0  # added to the class attribute of what is lawn


@dataclass(frozen=True)
class Light:
    """Where the light comes from. Azimuth is turned from +x towards +y.

    Turbidity: 2 a clear mountain sky, 10 hazy. ``shade`` is a clear sky whose sun is hidden.
    """

    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 200.0
    turbidity: float = 3.0
    sky: Sky = "clear"

    @property
    def to_sun(self) -> Floats:
        """Unit vector towards the sun, (3,)."""
        up, round_ = np.radians(self.sun_elevation_deg), np.radians(self.sun_azimuth_deg)
        return np.array([np.cos(up) * np.cos(round_), np.cos(up) * np.sin(round_), np.sin(up)])


@dataclass(frozen=True, eq=False)
class Picture:
    """What a camera with no faults would have seen, and the truth about it."""

    rgb_linear: Floats  # (H, W, 3), 1.0 is what a perfect white, lying level in the open, gives back
    shares: Floats  # (H, W, 4) in the order of CLASSES; sky and surroundings are other
    lawn: Floats  # (H, W), share of the pixel that is the lawn: anything that grows or lies on it


def look_at(
    camera_m: Sequence[float], target_m: Sequence[float], *, size_px: tuple[int, int], focal_px: float,
    up: Sequence[float] = (0.0, 0.0, 1.0), kind: str = "spot",
) -> View:  # fmt: skip
    """A camera at one point that looks at another; ``up`` shows upwards in the picture."""
    camera, target = np.asarray(camera_m, float), np.asarray(target_m, float)
    forward = (target - camera) / np.linalg.norm(target - camera)
    right = np.cross(forward, np.asarray(up, float))
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    matrix = camera_matrix(focal_px, size_px)
    return View(kind, size_px, matrix, rotation, -rotation @ camera, "given", 0.0)  # type: ignore[arg-type]


@functools.cache
def _mitsuba() -> Any:
    """The renderer, set to the first of ``VARIANTS`` that works here."""
    import mitsuba as mi

    mi.set_variant(next(variant for variant in VARIANTS if _works(mi, variant)))
    mi.set_log_level(mi.LogLevel.Error)
    mi.register_integrator("turfeye_classes", lambda props: _class_integrator(mi)(props))
    return mi


def release() -> None:
    """Hand the memory of scenes no longer needed back to the graphics card, for other processes on it."""
    import gc

    import drjit as dr

    gc.collect()
    dr.flush_malloc_cache()


def _works(mi: Any, variant: str) -> bool:
    """Whether a variant compiles and runs here; it is the renderer's then."""
    if variant == "llvm_ad_rgb":  # a compiler too old ends the whole process, so one of its own tries it
        done = subprocess.run([sys.executable, "-P", LLVM_TRIAL], capture_output=True, check=False)
        if done.returncode:
            return False
    try:
        mi.set_variant(variant)
        mi.load_dict({"type": "sphere"})
        if variant != "scalar_rgb":
            np.array(mi.Float([1.0, 2.0]) + 1.0)  # compiles and runs: a driver that can't says so here
    except (ImportError, RuntimeError, AttributeError):
        return False
    return True


@functools.cache
def _class_integrator(mi: Any) -> type:
    """The truth's integrator, made once the renderer is there."""

    class Classes(mi.SamplingIntegrator):  # type: ignore[misc, name-defined]
        """First hit only: green, straw, bare as R, G, B, and the lawn flag as a fourth channel."""

        def aov_names(self) -> list[str]:
            return ["lawn"]

        def sample(self, scene: Any, sampler: Any, ray: Any, medium: Any = None, active: Any = True) -> Any:
            import drjit as dr

            hit = scene.ray_intersect(ray, active)
            valid = hit.is_valid() & active
            if hit.shape is None:  # the plain variant, a ray at a time, where it hits nothing
                return mi.Color3f(0.0), False, [0.0]
            value = dr.select(valid, hit.shape.eval_attribute_3("vertex_klass", hit, valid), 0.0)
            lawn = dr.select(value[0] > 0.5 * _ON_LAWN, 1.0, 0.0)
            return mi.Color3f(value - _ON_LAWN * lawn), valid, [lawn]

    return Classes


def _bsdf(part: Part) -> dict[str, Any]:
    """How a part's surface scatters light: matt, faintly glossy, or thin and translucent as a leaf."""
    mi = _mitsuba()
    if part.texture is not None:
        colour: dict[str, Any] = {
            "type": "bitmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(part.texture, np.float32)),
            "raw": True,
            "wrap_mode": "repeat",
        }
    else:
        colour = {"type": "mesh_attribute", "name": "vertex_color"}
    if part.translucency > 0:
        return {
            "type": "principledthin",
            "base_color": colour,
            "diff_trans": 2 * part.translucency,
            "roughness": part.roughness or 0.6,
            "eta": 1.4 if part.roughness else 1.15,
        }
    if part.roughness is not None:
        rough = {"type": "principled", "base_color": colour, "roughness": part.roughness, "specular": 0.4}
        return {"type": "twosided", "bsdf": rough}
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}


def _mesh(part: Part, number: int) -> Any:
    """A part as the renderer has it; its class and whether it is lawn go along as a colour of each vertex."""
    mi = _mitsuba()
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(_bsdf(part))
    mesh = mi.Mesh(
        f"m{number}",
        vertex_count=len(part.vertices),
        face_count=len(part.faces),
        has_vertex_normals=False,
        has_vertex_texcoords=part.uv is not None,
        props=props,
    )
    count = len(part.vertices)
    if part.rgb_linear is not None:
        mesh.add_attribute("vertex_color", 3, np.ascontiguousarray(part.rgb_linear, np.float32).ravel())
    klass = np.array([part.klass == name for name in CLASSES[:3]], np.float32)
    mesh.add_attribute("vertex_klass", 3, np.tile(klass + _ON_LAWN * part.lawn, count))
    inside = mi.traverse(mesh)
    inside["vertex_positions"] = np.ascontiguousarray(part.vertices, np.float32).ravel()
    inside["faces"] = np.ascontiguousarray(part.faces, np.uint32).ravel()
    if part.uv is not None:
        inside["vertex_texcoords"] = np.ascontiguousarray(part.uv, np.float32).ravel()
    inside.update()
    return mesh


def _emitters(light: Light) -> dict[str, Any]:
    """The sky and the sun."""
    mi = _mitsuba()
    if light.sky == "overcast":
        # CIE overcast sky: three times as bright overhead as at the horizon (CIE S 011).
        rows = np.cos(np.linspace(0, np.pi, 64))[:, None, None]
        sky = np.where(rows > 0, (1 + 2 * rows) / 3, 0.12) * np.array(OVERCAST_RGB)
        pixels = np.tile(sky, (1, 128, 1)).astype(np.float32)
        up = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
        return {"sky": {"type": "envmap", "bitmap": mi.Bitmap(pixels), "to_world": up}}
    return {
        "sky": {
            "type": "sunsky",
            "sun_direction": [float(v) for v in light.to_sun],
            "turbidity": light.turbidity,
            "sun_scale": 1.0 if light.sky == "clear" else 0.0,
            "albedo": 0.2,
        }
    }


@functools.lru_cache(maxsize=64)
def white(light: Light) -> tuple[float, float, float]:
    """What a perfect white, lying level in the open, gives back: linear RGB in the renderer's own unit."""
    mi = _mitsuba()
    above = mi.ScalarTransform4f().look_at([0, 0, 1], [0, 0, 0], [0, 1, 0]).scale([0.1, 0.1, 1])
    paper = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 1.0}}
    scene = mi.load_dict(
        {
            "type": "scene",
            "integrator": {"type": "direct"},
            "plate": {"type": "rectangle", "bsdf": paper},
            "sensor": {
                "type": "orthographic",
                "to_world": above,
                "film": {"type": "hdrfilm", "width": 16, "height": 16},
            },
            **_emitters(light),
        }
    )
    red, green, blue = np.array(mi.render(scene, spp=512, seed=1)).reshape(-1, 3).mean(axis=0)
    return float(red), float(green), float(blue)


def _sensor(view: View) -> Any:
    """A view as the renderer's camera."""
    mi = _mitsuba()
    width, height = view.size_px
    camera, forward = view.camera_m, view.rotation[2]
    return mi.load_dict(
        {
            "type": "perspective",
            "fov_axis": "x",
            "fov": float(2 * np.degrees(np.arctan(width / 2 / view.focal_px))),
            "near_clip": 0.02,
            "far_clip": 500.0,
            "to_world": mi.ScalarTransform4f().look_at(
                camera.tolist(), (camera + forward).tolist(), (-view.rotation[1]).tolist()
            ),
            "film": _film(width, height),
            "sampler": {"type": "independent"},
        }
    )


def mended(rgb_linear: Floats) -> tuple[Floats, int]:
    """Light (H, W, 3) whose single pixels that are not finite are filled in, and how many there were.

    Now and then the light of a path is not a number, and its pixel's mean with it (in 2 of 1,300 scenes).
    Such a pixel takes the median of those beside it if most of them are known. Larger holes mean that the
    scene is unsound: they stay, and `turfeye.simulate.phone.shoot` refuses the picture.
    """
    known = np.asarray(np.isfinite(rgb_linear).all(axis=2))
    whole = rgb_linear.copy()
    count = 0
    for row, col in np.argwhere(~known):
        box = np.s_[max(row - 1, 0) : row + 2, max(col - 1, 0) : col + 2]
        if 2 * known[box].sum() >= known[box].size:
            whole[row, col] = np.median(rgb_linear[box][known[box]], axis=0)
            count += 1
    return whole, count


def _film(width: int, height: int) -> dict[str, Any]:
    """Plain means over square pixels, linear."""
    return {
        "type": "hdrfilm", "width": width, "height": height, "rfilter": {"type": "box"},
        "pixel_format": "rgb", "component_format": "float32",
    }  # fmt: skip


class Stage:
    """A scene loaded once, to be seen by several cameras."""

    def __init__(self, parts: Sequence[Part], light: Light, *, bounces: int = 7) -> None:
        self._meshes = [_mesh(part, n) for n, part in enumerate(merged(parts)) if len(part.faces)]
        self._bounces = bounces
        self._lit(light, ())

    def relit(self, light: Light, parts: Sequence[Part] = ()) -> Stage:
        """The same meshes, and some more, in another light."""
        other = copy.copy(self)
        other._lit(light, parts)
        return other

    def _lit(self, light: Light, parts: Sequence[Part]) -> None:
        """Load the scene: its meshes and those of ``parts`` in a light."""
        first = len(self._meshes)
        more = [_mesh(part, first + n) for n, part in enumerate(parts)]
        meshes = {f"m{n}": mesh for n, mesh in enumerate([*self._meshes, *more])}
        path = {"type": "path", "max_depth": self._bounces, "rr_depth": 6}
        self.light = light
        self._scene = _mitsuba().load_dict(
            {"type": "scene", "integrator": path, **_emitters(light), **meshes}
        )

    def photograph(self, view: View, *, spp: int = 64, seed: int = 0) -> Picture:
        """Light and truth for one camera; warns where pixels had to be mended (`mended`)."""
        traced = self._render(_sensor(view), spp, seed)[..., :3]
        rgb, count = mended(traced / float(np.asarray(white(self.light)) @ RGB_TO_XYZ[1]))
        if count:
            had = "pixel had" if count == 1 else "pixels had"
            warnings.warn(f"{count} {had} light that is not a number: filled in", stacklevel=2)
        # Single fireflies (a path that met the sun by chance) are held to what their surroundings could be.
        rgb = np.minimum(rgb, 4.0)
        truth = self.shown(view, spp=min(spp, 64), seed=seed + 1)
        return Picture(rgb.astype(np.float32), truth[..., :4], truth[..., 4])

    def shown(self, view: View, *, spp: int = 64, seed: int = 0) -> Floats:
        """(H, W, 5) shares of CLASSES and of lawn that each pixel shows, whatever the light."""
        return self._classes(_sensor(view), spp, seed)

    def straight_down(
        self, box_m: tuple[float, float, float, float], *, pixel_m: float, spp: int = 16
    ) -> Floats:
        """(H, W, 5) shares of CLASSES and of lawn in square pixels from straight above, row 0 at y0.

        Nothing higher than TOP_M is seen.
        """
        mi = _mitsuba()
        x0, y0, x1, y1 = box_m
        width, height = round((x1 - x0) / pixel_m), round((y1 - y0) / pixel_m)
        middle = [(x0 + x1) / 2, (y0 + y1) / 2]
        sensor = mi.load_dict(
            {
                "type": "orthographic",
                "near_clip": 0.001,
                "far_clip": 50.0,
                "to_world": mi.ScalarTransform4f()
                .look_at([*middle, TOP_M], [*middle, 0.0], [0, 1, 0])
                .scale([(x1 - x0) / 2, (x1 - x0) / 2, 1]),
                "film": _film(width, height),
                "sampler": {"type": "independent"},
            }
        )
        return self._classes(sensor, spp, 7)[::-1]

    def _render(self, sensor: Any, spp: int, seed: int, integrator: Any = None) -> Floats:
        """(H, W, channels), the mean of as many passes as the memory asks for."""
        mi = _mitsuba()
        extra = {} if integrator is None else {"integrator": integrator}
        width, height = sensor.film().size()
        passes = max(1, round(width * height * spp / SAMPLES_A_PASS))
        total: Any = 0.0
        for number in range(passes):  # all of a pass is held in memory at once
            total = total + np.array(
                mi.render(
                    self._scene, sensor=sensor, spp=-(-spp // passes), seed=seed + 7919 * number, **extra
                )
            )
        return np.asarray(total / passes)

    def _classes(self, sensor: Any, spp: int, seed: int) -> Floats:
        """(H, W, 5) shares of CLASSES and of lawn."""
        integrator = _mitsuba().load_dict({"type": "turfeye_classes"})
        seen = np.clip(self._render(sensor, spp, seed, integrator), 0, 1)
        other = np.clip(1 - seen[..., :3].sum(axis=-1, keepdims=True), 0, 1)
        return np.concatenate([seen[..., :3], other, seen[..., 3:4]], axis=-1).astype(np.float32)
