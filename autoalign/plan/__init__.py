"""What a bench needs and permits before it is built."""
