"""The steps of the store's schema, run by `Database.migrate`."""
