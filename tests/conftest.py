from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True, database=None)
settings.load_profile("steady")

CHECKOUT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def sample_images() -> Path:
    return CHECKOUT / "sample_images"


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    folder = CHECKOUT.parent / "shared"
    if not folder.is_dir():
        pytest.skip("the folder of shared films does not lie beside the checkout")
    return folder
