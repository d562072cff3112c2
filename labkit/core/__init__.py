"""The pure core: bite scale, jaw models, grading, rod values, label rules, findings."""
