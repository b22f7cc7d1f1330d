"""The HTTP interface described as the open standard for it has it (OpenAPI 3.1): what each route takes, gives, and refuses with.

`results`, `station`, `jobs` and `refusals` hold what is answered, `routes` the table of routes, `document` makes of it what ``GET /api/openapi.json``
serves.  Answers are not pressed into these shapes while the program runs; the tests ask every route and hold what comes against them.
"""

from web.api_doc.document import document

__all__ = ["document"]
