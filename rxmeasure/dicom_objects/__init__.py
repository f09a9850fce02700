"""Reviews as DICOM objects: report, presentation state, segmentation, calibrated copy."""
