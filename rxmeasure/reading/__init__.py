"""Files to radiographs: DICOM and raster readers."""
