"""Everything heard, on disk before it is used: the database, the text form, what a crash leaves."""
