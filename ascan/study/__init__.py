"""Before and beside the job: planning, comparing, budgets, checks of known steps."""
