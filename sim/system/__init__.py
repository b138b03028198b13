"""What knows of no processor: files, processes, colours, and who draws pictures."""
