"""What a log must hold to, checked a whole table at a time: tables in, problems out."""
