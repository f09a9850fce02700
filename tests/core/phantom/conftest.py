"""Small phantoms of known parameters."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from rxmeasure.phantom import Phantom, PhantomParameters, make_phantom
from rxmeasure.phantom.anatomy import neck_share
from rxmeasure.phantom.parameters import (
    CanalParameters,
    CrownParameters,
    RootParameters,
    ToothParameters,
    VoidParameters,
)
from rxmeasure.phantom.scene import Scene


def premolar_parameters(**canal: object) -> PhantomParameters:
    """One tooth with one gently bent, filled canal; 340 x 200 pixels of 0.1 mm."""
    crown = CrownParameters(shape="pointed", half_width_mm=3.5, half_depth_mm=4.2, height_mm=8.2)
    root = RootParameters(
        length_mm=21.5,
        turns_deg=(16.0,),
        neck_half_width_mm=3.5 * neck_share("pointed"),
        tip_half_width_mm=0.7,
        depth_ratio=1.4,
    )
    plain = CanalParameters(
        name="single", size=40, taper=0.05, core_to_apex_mm=1.2, sealer_to_apex_mm=0.9,
        film_mm=(0.03, 0.03),
    )  # fmt: skip
    tooth = ToothParameters(
        crown=crown,
        roots=(root,),
        canals=(replace(plain, **canal),),  # type: ignore[arg-type]
    )
    return PhantomParameters(
        seed=5, tooth_number="45", tooth=tooth, shape=(340, 200), pitch_mm=0.1,
        magnification=1.05, rotation_deg=6.0, supersampling=4,
    )  # fmt: skip


FAULTS = (
    VoidParameters(kind="bubble", to_end_mm=8.0, length_mm=0.5, side=1, offset=0.4),
    VoidParameters(kind="lateral", to_end_mm=3.0, length_mm=2.0, width_mm=0.25, side=-1),
    VoidParameters(kind="transverse", to_end_mm=5.3, length_mm=0.4, angle_deg=10.0),
)


@pytest.fixture(scope="session")
def premolar() -> Callable[..., PhantomParameters]:
    return premolar_parameters


@pytest.fixture(scope="session")
def faults() -> tuple[VoidParameters, ...]:
    return FAULTS


@pytest.fixture(scope="session")
def filled() -> Phantom:
    return make_phantom(premolar_parameters())


@pytest.fixture(scope="session")
def filled_scene() -> Scene:
    return Scene(premolar_parameters())
