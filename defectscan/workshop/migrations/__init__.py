"""How the tables of the job book came to be, step by step."""
