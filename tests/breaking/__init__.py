"""What breaks the running service, or is to be proven not to: in short form as tests, or long."""
