"""The job: one car's visit, a folder that can be copied as it is."""
