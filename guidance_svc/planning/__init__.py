"""Flights to come: boost programs, launch windows, campaigns. A folder for each planner, whole.

In: plans and what is asked. Out: tables, pages and flight plans that the service flies. May import `rehearsal`,
`files` and below."""
