"""What is kept in the database: the only room that knows SQL. Structs go in and out, rows never leave."""
