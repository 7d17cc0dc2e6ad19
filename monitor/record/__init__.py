"""What is on disk: schema, migrations, the one writer, read queries, history in and out."""
