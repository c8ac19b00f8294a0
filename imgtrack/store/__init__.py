"""Durable records: tables, migrations, append-only guards and the hash-chained log."""
