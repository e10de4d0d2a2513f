"""The release after this one, as far as the database sees it: four migrations in the phases of docs/operations.md.

They change the largest table and one that every upload writes: a column on each, filled in batches, an index, a check.
"""

from servicing import migrations

__path__ = [*__path__, *migrations.__path__]
