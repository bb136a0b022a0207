"""Mathematics from raw signal to quantity, with uncertainty. Knows neither devices nor the job."""
