"""What is put to a witness: records of fixed layout, of every input that can matter or samples."""
