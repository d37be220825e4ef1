"""What an operator sees: metrics right across workers, JSON log lines, traces. Knows nothing of HTTP frameworks."""
