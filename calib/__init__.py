"""The cure model, the advice, the records and the command line."""
