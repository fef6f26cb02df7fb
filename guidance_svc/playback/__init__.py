"""Recordings read: played again, reported, calibrated, compared with another plan.

In: recordings. Out: tables, pages, vehicle files. May import `storage`, `files`, `session` and below; changes no
recording."""
