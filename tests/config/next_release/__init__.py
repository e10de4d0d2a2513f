"""The migrations of servicing, and one more that changes the log's table: as the next release might bring them."""

from servicing import migrations

__path__ = [*__path__, *migrations.__path__]
