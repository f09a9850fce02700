"""Reviews as DICOM objects: structured report, presentation state, segmentation, calibrated copy."""
