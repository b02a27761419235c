"""The ground of the registry: opening it, its tables, documents and statements."""
