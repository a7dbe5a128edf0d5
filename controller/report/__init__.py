"""Journal and logs to tables and pictures. Heavy imports stay here."""
