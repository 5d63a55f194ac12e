"""The reading room: the napari plugin of holdfast."""
