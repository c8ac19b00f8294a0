"""Schema migrations, run by `imgtrack.store.schema`; one file per revision in ``versions``.

To add a revision:

1. See that the database of the newest revision is kept (``python tests/store/keep.py``).
2. Change the table in ``tables.py`` and, for a field of a record, its form in ``kinds.py``; give a
   new field a default in the domain, for the log's entries from before do not have it.
3. Write ``versions/rNNNN_what.py`` with the next number as ``revision``. Spell names, types and
   allowed values out; import nothing of today's program. Tables are rebuilt with
   ``op.batch_alter_table``, which works on both databases; guards are down meanwhile and come back
   by themselves. Old rows may be filled in, never made to say something else.
4. Append the number to ``REVISIONS`` in ``schema.py``, run ``keep.py`` again, and the tests.
"""
