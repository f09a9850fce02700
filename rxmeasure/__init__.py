"""Measure root-canal fillings on intra-oral radiographs. The core: no Qt, no napari."""

__version__ = "0.1.0"
