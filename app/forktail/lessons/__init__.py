"""Lessons: their files, their questions and tasks, their page and their worksheets."""
