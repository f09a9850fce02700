"""Teaching: rubric, hidden keys, blind marking, marks of a course."""
