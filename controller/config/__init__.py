"""Machine and job files: models, loading, derived numbers."""
