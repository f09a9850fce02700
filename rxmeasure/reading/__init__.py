"""Files to radiographs: DICOM, PNG, JPEG and TIFF, told apart by their content."""

from rxmeasure.reading.radiograph_file import read_radiograph

__all__ = ["read_radiograph"]
