"""Pages for the bay, the jobs and the sheet."""
