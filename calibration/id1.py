"""The size of a bank card: ISO/IEC 7810:2019, ID-1, 85.60 x 53.98 mm, 0.76 mm thick, corner radius 2.88 to 3.48 mm."""

__all__ = ["ID1_CORNER_RADIUS_MM", "ID1_SIZE_MM", "ID1_THICKNESS_MM"]

ID1_SIZE_MM = (85.60, 53.98)
ID1_THICKNESS_MM = 0.76
ID1_CORNER_RADIUS_MM = 3.18
