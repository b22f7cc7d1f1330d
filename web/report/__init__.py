"""The sheet that stays with the unit: one view model, shown as a page and as a PDF, and read back for checking.

`gather` takes raw streams and a set-up, `view` makes the sheet's content from them, `page` and `pdf` show it, `reading` takes a
page apart again.  All English text is in `words`.
"""

from __future__ import annotations
