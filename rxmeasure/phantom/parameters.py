"""What a phantom is made from: plain frozen values, all lengths in mm at the tooth's plane."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from rxmeasure.errors import RxMeasureError
from rxmeasure.marks import FilmKind


class PhantomError(RxMeasureError):
    """The phantom's parameters contradict each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoidParameters:
    """A void of known shape in the fill.

    Attributes
    ----------
    kind : str
        ``"bubble"`` (sphere), ``"lateral"`` (lens along one wall) or
        ``"transverse"`` (slab across the canal).
    to_end_mm : float
        Centre of the void from the apical end of the core, along the canal.
    length_mm : float
        Along the canal: diameter of a bubble, length of a wall gap, thickness of a slab.
    width_mm : float
        Across the canal: largest width of a wall gap. Unused otherwise.
    side : int
        +1 or -1: which wall, in the tooth's frame. For a bubble the side it lies on.
    offset : float
        Bubble: 0 in the middle, 1 touching the wall.
    angle_deg : float
        Transverse: tilt of the slab against the canal's cross-section.
    content : str
        ``"fluid"`` or ``"air"``.
    """

    kind: str
    to_end_mm: float
    length_mm: float
    width_mm: float = 0.0
    side: int = 1
    offset: float = 0.0
    angle_deg: float = 0.0
    content: str = "fluid"


@dataclass(frozen=True, slots=True, kw_only=True)
class PuffParameters:
    """Sealer beyond the canal, of given projected area.

    ``place`` is ``"apex"`` or ``"lateral"``; a lateral puff leaves the root
    ``to_apex_mm`` coronal of the radiographic apex on ``side``.
    """

    area_mm2: float
    place: str = "apex"
    to_apex_mm: float = 0.0
    side: int = 1
    elongation: float = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class PostParameters:
    """A post: its diameter and the empty stretch between its end and the fill."""

    diameter_mm: float
    gap_mm: float
    metal: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalParameters:
    """One canal and its fill.

    Attributes
    ----------
    name : str
    root : int
        Index of the root it runs in.
    offset_mm, offset_apex_mm : float
        Distance from the root's axis at the orifice and at the apex (two canals in one root).
    size : int
        ISO 3630-1 size at the prepared end, hundredths of a millimetre.
    taper : float
        Of the prepared canal, mm per mm.
    max_width_mm : float
        Width where the taper stops growing coronally.
    depth_ratio : float
        Depth along the beam over width, at the orifice; falls to 1 + a third of the excess
        at the apex.
    content : str
        ``"filled"``, ``"cone"`` (gutta-percha point without sealer) or ``"tissue"``.
    core_to_apex_mm, sealer_to_apex_mm : float
        Apical end of the core and of the sealer to the radiographic apex along the canal;
        positive short, negative beyond.
    tip : str
        Shape of the core's end: ``"rounded"``, ``"flat"`` or ``"tapering"``.
    film_mm : tuple of float
        Smallest and largest thickness of the sealer film at a wall.
    sealer : str
        ``"epoxy-resin"`` or ``"calcium-silicate"``.
    start_below_orifice_mm : float
        Where the fill was cut, apical of the orifice.
    foramen_offset_mm : float
        Distance of the foramen from the radiographic apex.
    foramen_side : int
    apical_width_mm : float
        Width of the canal apical of the fill.
    hourglass : tuple of float or None
        (to_end_mm, relative narrowing, half-length in mm).
    stripped_mm : float or None
        Length of the apical stretch that has lost its taper, ending in a step.
    """

    name: str
    root: int = 0
    offset_mm: float = 0.0
    offset_apex_mm: float = 0.0
    size: int = 30
    taper: float = 0.04
    max_width_mm: float = 1.3
    depth_ratio: float = 1.2
    content: str = "filled"
    core_to_apex_mm: float = 1.0
    sealer_to_apex_mm: float = 1.0
    tip: str = "rounded"
    film_mm: tuple[float, float] = (0.02, 0.08)
    sealer: str = "epoxy-resin"
    start_below_orifice_mm: float = 0.5
    foramen_offset_mm: float = 0.4
    foramen_side: int = 1
    apical_width_mm: float = 0.25
    voids: tuple[VoidParameters, ...] = ()
    puffs: tuple[PuffParameters, ...] = ()
    hourglass: tuple[float, float, float] | None = None
    stripped_mm: float | None = None
    post: PostParameters | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RootParameters:
    """One root: its axis runs from the coronal reference to the root's tip.

    Attributes
    ----------
    length_mm : float
        Along the axis, coronal reference to tip.
    reference_x_mm : float
        Lateral place of the coronal reference (cusp tip, incisal edge).
    crown_deg, root_deg : float
        Direction of the axis in the crown and in the coronal part of the root, from the
        tooth's axis.
    turns_deg : tuple of float
        Bends of the apical part: () straight, one value a C-curve, two values an S-curve.
    bend_start : float
        Where the first bend begins, as a share of the root between neck and tip.
    neck_half_width_mm, tip_half_width_mm, tip_round_mm : float
        Half-width at the neck and just before the rounding of the tip; length of the rounding.
    depth_ratio : float
        Depth along the beam over width, at the neck; 1.15 at the tip.
    lean_deg : float
        Inclination along the beam below the neck, positive when the tip lies nearer to the
        receptor. Seen only by another `BeamParameters`.
    """

    length_mm: float
    reference_x_mm: float = 0.0
    crown_deg: float = 0.0
    root_deg: float = 0.0
    turns_deg: tuple[float, ...] = ()
    bend_start: float = 0.35
    neck_half_width_mm: float = 2.6
    tip_half_width_mm: float = 0.8
    tip_round_mm: float = 1.2
    depth_ratio: float = 1.2
    lean_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CrownParameters:
    """Crown of a tooth.

    ``shape``: ``"incisor"``, ``"pointed"`` (canine, premolar) or ``"molar"``.
    ``coronal``: ``"sound"``, ``"composite"``, ``"temporary"``, ``"metal"`` (crown) or
    ``"open"`` (empty access cavity). ``lean_deg``: inclination along the beam.
    """

    shape: str
    half_width_mm: float
    half_depth_mm: float
    height_mm: float
    enamel_mm: float = 1.6
    cusp_mm: float = 1.4
    coronal: str = "composite"
    lean_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothParameters:
    """One tooth. ``trunk_mm``: from the neck to the furcation; 0 for one root.

    ``offset_mm`` (apical, lateral) and ``tilt_deg`` place a neighbour against the main tooth,
    ``depth_mm`` puts its neck nearer to the receptor.
    """

    crown: CrownParameters
    roots: tuple[RootParameters, ...]
    canals: tuple[CanalParameters, ...] = ()
    trunk_mm: float = 0.0
    offset_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    depth_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FileParameters:
    """A steel file with a silicone stop, or a plain piece of wire.

    Attributes
    ----------
    kind : str
        ``"file"``, or ``"wire"``: one width, flat ends, no stop, no shaft beyond its length.
    length_mm : float
        From the apical side of the stop to the tip, along the file; a wire from end to end.
    size : int
    taper : float
    canal : int or None
        Index of the canal it stands in (then the stop sits on the coronal reference and
        ``length_mm`` follows from ``tip_to_apex_mm``); None when it lies beside the tooth.
    tip_to_apex_mm : float
        In a canal: tip to radiographic apex, positive short.
    start_mm : tuple of float
        Beside the tooth: place of the stop's apical side, (apical, lateral) in the main
        tooth's frame.
    direction_deg : float
        Beside the tooth: direction of the file at the stop, from the tooth's axis.
    bend_deg : float
        Beside the tooth: total bend over the file's length.
    handle_mm : float
        Length of shaft seen coronal of the stop.
    """

    kind: str = "file"
    length_mm: float = 21.0
    size: int = 15
    taper: float = 0.02
    canal: int | None = None
    tip_to_apex_mm: float = 1.0
    start_mm: tuple[float, float] = (0.0, 9.0)
    direction_deg: float = 0.0
    bend_deg: float = 0.0
    handle_mm: float = 3.0
    stop_radius_mm: float = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class LesionParameters:
    """Bone lost round the tip of a root: a rounded cavity with a sloping wall.

    Attributes
    ----------
    root : int
        Index of the root at whose tip it lies.
    along_mm, across_mm : float
        Diameters of its outline along and across the root's direction, before the lobes.
    lobes : tuple of (int, float, float)
        Order, share of the radius and phase in radians of the waves round the outline.
    beyond_apex_mm : float
        Its centre beyond the radiographic apex, along the root's direction.
    bone_lost_mm : float
        Thickness lost in the middle; what the ridge holds between its plates is the limit.
    edge_mm : float
        Width of the wall, over which the loss fades; the outline is its middle.
    depth_mm : float
        Nearer to the receptor than the apex.
    """

    root: int = 0
    along_mm: float = 4.0
    across_mm: float = 4.0
    lobes: tuple[tuple[int, float, float], ...] = ()
    beyond_apex_mm: float = 1.0
    bone_lost_mm: float = 5.0
    edge_mm: float = 0.5
    depth_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamParameters:
    """A beam that is not square to the tooth's plane, on a receptor that is not either.

    A part at depth z mm is shifted by z times the tangent of the angles, towards the apex and
    sideways in the tooth's frame. The receptor's tilt about the picture's row and column axes
    makes the magnification grow across the picture, for a focus at ``focus_mm``.
    """

    vertical_deg: float = 0.0
    horizontal_deg: float = 0.0
    receptor_tilt_deg: tuple[float, float] = (0.0, 0.0)
    focus_mm: float = 300.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueParameters:
    """Trabecular bone that belongs to the jaw and not to the film, in layers of known depth.

    ``correlation`` is that of the texture between two films of one ``seed`` whose ``visit``
    differs.
    """

    seed: int
    visit: int = 0
    correlation: float = 0.65
    layers_mm: tuple[float, ...] = (-3.0, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneParameters:
    """Alveolar bone. Thicknesses along the beam in mm; ``lesion_mm`` radius at each apex.

    Without ``tissue`` the trabeculae follow from the phantom's seed and the film's pixels.
    """

    ridge_mm: float = 9.5
    cortical_mm: float = 1.0
    volume_fraction: float = 0.27
    texture: float = 1.0
    crest_below_neck_mm: float = 1.6
    ligament_mm: float = 0.2
    lamina_mm: float = 0.25
    cheek_mm: float = 10.0
    lesion_mm: float = 0.0
    tissue: TissueParameters | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagingParameters:
    """The X-ray unit, the detector and what was done to the grey levels.

    Attributes
    ----------
    tube_kv : int
        60, 65 or 70.
    blur_fwhm_mm : float
        Focal and detector blur together, at the tooth's plane.
    scatter : float
        Share of the detected signal that is a broad veil.
    quanta_per_mm2 : float
        Detected quanta per mm2 of detector without any object.
    electronic_noise : float
        Standard deviation as a share of the unattenuated signal.
    response : str
        ``"log"``: grey grows with attenuation; ``"linear"``: grey falls with the signal.
    window : tuple of float
        Attenuation (natural logarithm) shown at 6 % and 92 % of the grey range.
    gamma : float
    sharpen : float
        Strength of an unsharp mask; 0 is none.
    bits : int
    inverted : bool
        Radiopaque dark.
    edge : str
        ``"none"``, ``"white"`` or ``"black"``: rim and corners that hold no picture.
    """

    tube_kv: int = 65
    blur_fwhm_mm: float = 0.10
    scatter: float = 0.10
    quanta_per_mm2: float = 5.0e6
    electronic_noise: float = 3.0e-4
    response: str = "log"
    window: tuple[float, float] = (0.25, 2.75)
    gamma: float = 1.0
    sharpen: float = 0.0
    bits: int = 12
    inverted: bool = False
    edge: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class PhantomParameters:
    """Everything a phantom is made from; equal parameters give equal pixels.

    Attributes
    ----------
    seed : int
        Drives textures, film thickness, puff outlines and noise.
    tooth_number : str
        FDI number (ISO 3950).
    shape : tuple of int
        (rows, cols).
    pitch_mm : float
        Pixel pitch of the detector.
    magnification : float
        Size on the detector over size at the tooth.
    upper : bool
        Roots point to the top of the picture.
    mirrored : bool
    rotation_deg : float
        The whole scene turned in the picture.
    shift_mm : tuple of float
        Tooth's middle from the picture's middle, (row, col) at the tooth's plane.
    wedge_mm : tuple of float
        Thicknesses of an aluminium step wedge along one edge; () for none.
    lesions : tuple of LesionParameters
    beam : BeamParameters or None
        None: square to the tooth's plane.
    exposure : int
        Films of one scene with different numbers have different noise.
    supersampling : int
    """

    seed: int
    tooth_number: str
    tooth: ToothParameters
    film_kind: FilmKind = FilmKind.POSTOPERATIVE
    shape: tuple[int, int] = (1200, 900)
    pitch_mm: float = 0.03
    magnification: float = 1.05
    upper: bool = False
    mirrored: bool = False
    rotation_deg: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    neighbours: tuple[ToothParameters, ...] = ()
    files: tuple[FileParameters, ...] = ()
    wedge_mm: tuple[float, ...] = ()
    lesions: tuple[LesionParameters, ...] = ()
    beam: BeamParameters | None = None
    exposure: int = 0
    bone: BoneParameters = field(default_factory=BoneParameters)
    imaging: ImagingParameters = field(default_factory=ImagingParameters)
    supersampling: int = 2


def with_imaging(
    parameters: PhantomParameters, *, noise: float = 1.0, blur: float = 1.0, **changes: Any
) -> PhantomParameters:
    """The same scene taken another way.

    ``noise`` multiplies the standard deviation of the noise (the dose falls by its square),
    ``blur`` the blur's width; ``changes`` are other fields of `ImagingParameters`.
    """
    old = parameters.imaging
    imaging = replace(
        old,
        quanta_per_mm2=old.quanta_per_mm2 / noise**2,
        electronic_noise=old.electronic_noise * noise,
        blur_fwhm_mm=old.blur_fwhm_mm * blur,
    )
    return replace(parameters, imaging=replace(imaging, **changes))


def with_pitch(parameters: PhantomParameters, pitch_mm: float) -> PhantomParameters:
    """The same scene on a detector of the same size with other pixels."""
    rows, cols = (round(n * parameters.pitch_mm / pitch_mm) for n in parameters.shape)
    return replace(parameters, pitch_mm=pitch_mm, shape=(rows, cols))
