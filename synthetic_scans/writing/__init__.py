"""The phantom's images as DICOM files, with invented identities in their headers."""
