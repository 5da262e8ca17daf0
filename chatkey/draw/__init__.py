"""Pictures made from numbers: the separability matrix and the page of the check."""

from chatkey.draw.matrix import matrix_png
from chatkey.draw.report import report_html

__all__ = ["matrix_png", "report_html"]
