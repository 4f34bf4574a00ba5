"""The inch in millimetres, once for all folders."""

__all__ = ["MM_PER_INCH"]

MM_PER_INCH = 25.4  # exact by definition (international yard and pound agreement, 1959)
