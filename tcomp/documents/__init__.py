"""What is printed and written as JSON: each document a frozen dataclass, from which its reader and its schema follow."""
