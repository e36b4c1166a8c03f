"""How each vehicle gets there, and when radio contact will be lost."""
