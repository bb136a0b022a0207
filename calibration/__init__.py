"""Mathematics from raw signal to quantity, with uncertainty. Knows neither devices nor the job.

README.md beside this file tells which module does what, from which source.
"""
