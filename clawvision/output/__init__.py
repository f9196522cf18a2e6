"""What is written: record and schema, picture, CSV."""
