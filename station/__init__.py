"""The job: a stream of samples becomes a balance, a verdict and a record."""
