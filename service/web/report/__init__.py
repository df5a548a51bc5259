"""The report on a flaw: what was found, in words and figures, as one PDF."""

from service.web.report.contents import CoatLine, Contents, contents_of
from service.web.report.pdf import draw_pdf

__all__ = ["CoatLine", "Contents", "contents_of", "draw_pdf"]
