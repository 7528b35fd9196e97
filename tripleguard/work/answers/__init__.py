"""What is asked of everything together: the morning's truth, where a picture is, what lies ahead."""
