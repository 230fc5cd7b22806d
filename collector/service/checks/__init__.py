"""What `quietcuff check` looks at: one module a subject, one function a question, each gives findings."""
