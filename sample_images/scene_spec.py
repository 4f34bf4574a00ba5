"""What a rendered scene is made of: plain descriptions, no geometry and no rendering.

Lengths are millimetres, angles degrees, colours ``#rrggbb`` (sRGB). The fabric has its own frame: u runs
across the ends, v along the warp from the first pick. The table has X to the right, Y away from the viewer
and Z up; the camera looks down.
"""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "Camera",
    "Card",
    "Cloth",
    "Fault",
    "Light",
    "Page",
    "Piece",
    "Post",
    "Scene",
    "Step",
    "Table",
    "Wash",
    "Yarn",
]


@dataclass(frozen=True, kw_only=True)
class Yarn:
    """One kind of yarn."""

    diameter_mm: float
    plies: int = 2
    twist_mm: float = 0.0
    """Length of one turn of the ply twist; 0 takes five diameters."""
    spread: float = 1.12
    """Half-width over radius where nothing presses from the side; the thickness shrinks to match."""
    unevenness: float = 0.05
    """Relative standard deviation of the diameter along the yarn."""
    slubs_per_m: float = 0.0
    hairs_per_mm: float = 1.0
    hair_mm: float = 0.7
    mottle: float = 0.06
    """Relative standard deviation of the dye along the yarn."""


@dataclass(frozen=True, kw_only=True)
class Step:
    """A change of beat: from pick `pick_index` on, all spacings are multiplied by `factor`."""

    pick_index: int
    factor: float


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A weaving fault.

    `kind` is one of

    - ``missed_pick``: the shed after `pick_index` was not filled, a gap is left;
    - ``double_pick``: pick `pick_index` + 1 lies in the same shed as `pick_index`;
    - ``warp_float``: end `end_index` lies over `length` picks from `pick_index` on;
    - ``weft_float``: pick `pick_index` lies over `length` ends from `end_index` on;
    - ``loose_end``: end `end_index` is slack over `length` picks around `pick_index`;
    - ``missing_end``: a gap is left after end `end_index`;
    - ``slub``: pick `pick_index` is thick over about `length` ends around end `end_index`;
    - ``knot``: end `end_index` was tied in a knot that lies on the cloth at pick `pick_index`;
    - ``hole``: yarns are broken away around the crossing, over about `length` ends;
    - ``crowded_edge``: the `length` outermost ends at the side of `end_index` lie at 0.62 of their usual distance.
    """

    kind: str
    pick_index: int = 0
    end_index: int = 0
    length: int = 5


@dataclass(frozen=True, kw_only=True)
class Wash:
    """What washing did to the cloth: shrinkage in percent of the unwashed length, and fulling."""

    warp_percent: float = 0.0
    weft_percent: float = 0.0
    yarn_growth: float = 1.0
    hair_growth: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Cloth:
    """The woven sample. `epi` and `ppi` are what the weaver aimed at; the truth is measured on the result."""

    weave: str
    ends: int
    picks: int
    epi: float
    ppi: float
    warp: Yarn
    weft: Yarn
    warp_palette: tuple[str, ...] = ("#d8cdb4",)
    weft_palette: tuple[str, ...] = ("#7d6a58",)
    warp_sequence: str = "A"
    """Palette letters end by end, repeated until the warp is full."""
    weft_sequence: str = "A"
    mirror_warp: bool = False
    """Mirror the colour order about the middle of the warp."""
    end_cv: float = 0.05
    beat_cv: float = 0.06
    beat_drift: float = 0.02
    """Relative standard deviation of the slow change of beat (over some 30 mm)."""
    draw_in: float = 0.01
    """Relative slow change of width along the piece."""
    selvedge_crowding: float = 0.04
    """How much closer the outermost ends lie."""
    warp_crimp_share: float | None = None
    """Share of the crimp taken by the warp; ``None`` takes a value fit for the weave."""
    pairing: float | None = None
    """Relative shift of ends into pairs (hole and slot); ``None`` takes a value fit for the weave."""
    sides: str = "selvedge"
    """``selvedge`` (the weft turns) or ``cut``."""
    turn_slack: float = 0.15
    fringe_mm: float = 9.0
    bow_mm: float = 0.0
    skew_mm_per_mm: float = 0.0
    bend_per_mm: float = 0.0
    steps: tuple[Step, ...] = ()
    width_steps: tuple[Step, ...] = ()
    """Changes of the width: from pick `pick_index` on, all places across the warp are multiplied by `factor`."""
    faults: tuple[Fault, ...] = ()
    wash: Wash = field(default_factory=Wash)
    turn_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Piece:
    """Something that is not woven: ``stockinette``, ``garter``, ``felt``, ``corduroy`` or ``gingham_print``.

    `gauge_mm` is the width of a stitch, a rib or a printed check; felt has none. `colours` are the yarn or, in a
    print, paper and ink.
    """

    kind: str
    width_mm: float
    length_mm: float
    gauge_mm: float = 5.0
    hair_mm: float = 0.6
    colours: tuple[str, ...] = ("#d8cdb4", "#7d6a58")
    turn_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Card:
    """A blank card of ISO/IEC 7810 ID-1 size (85.60 mm by 53.98 mm, 0.76 mm thick, corners of 3.18 mm)."""

    x_mm: float
    y_mm: float
    turn_deg: float = 0.0
    colour: str = "#eceae6"
    on_cloth: bool = False
    width_mm: float = 85.60
    height_mm: float = 53.98
    thickness_mm: float = 0.76
    corner_radius_mm: float = 3.18


@dataclass(frozen=True, kw_only=True)
class Page:
    """A printed page card of pickglass under the sample, or a rail beside it, printed at exact size."""

    code: str
    """Code of the card, such as ``A4-1`` or ``RAIL-1``; pickglass itself draws it. A rail is `width_mm` long."""
    width_mm: float = 210.0
    height_mm: float = 297.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0
    thickness_mm: float = 0.1


@dataclass(frozen=True, kw_only=True)
class Table:
    """What the sample lies on.

    ``painted``, ``oak``, ``walnut``, ``slate``, ``linen``, ``speckled``, ``lid``, ``tile`` (with joints), ``mat`` (for
    cutting, with lines every 10 mm) or ``paper``.
    """

    kind: str = "painted"
    colour: str = "#9a9890"


@dataclass(frozen=True, kw_only=True)
class Light:
    """A window (square area light) plus the light that the room throws back."""

    azimuth_deg: float = 135.0
    elevation_deg: float = 45.0
    distance_mm: float = 950.0
    half_size_mm: float = 400.0
    ambient: float = 0.4
    """Share of the light that comes from all around."""
    warmth: float = 0.0
    """Positive makes the window warmer than the room, negative cooler."""


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A phone (`dpi` None) or a flat-bed scanner (`dpi` set: parallel rays, no lens)."""

    width_px: int = 3000
    height_px: int = 2250
    f35_mm: float = 26.0
    distance_mm: float = 255.0
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0
    """Radial distortion, r in units of the focal length."""
    dpi: int | None = None


@dataclass(frozen=True, kw_only=True)
class Post:
    """What camera electronics do after the lens."""

    blur_px: float = 0.65
    sharpen: float = 0.5
    shot_noise: float = 2e-4
    read_noise: float = 0.002
    brightness: float = 0.30
    """Mean linear level aimed at by the exposure automatic (highlights are kept below clipping)."""
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contrast: float = 0.12
    vignette: float = 0.12
    quality: int = 91


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One picture."""

    name: str
    seed: int
    cloth: Cloth | None
    card: Card | None = None
    page: Page | None = None
    table: Table = field(default_factory=Table)
    piece: Piece | None = None
    """What lies there in place of the cloth."""
    light: Light = field(default_factory=Light)
    lamp: Light | None = None
    """A second source; its `ambient` is not used."""
    camera: Camera = field(default_factory=Camera)
    post: Post = field(default_factory=Post)
    samples: int = 12
    """Light paths per pixel."""
    difficulty: str = "easy"
    note: str = ""
    taken: str = "2026:04:18 10:30:00"
    pair_id: str = ""
    pair_role: str = ""
    pair_partner: str = ""
    """Name of the scene before washing; set on the scenes after it."""
