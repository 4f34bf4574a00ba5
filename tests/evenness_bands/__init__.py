"""Rendered bands with planted steps and faults, and how well `pickglass evenness` finds them."""
