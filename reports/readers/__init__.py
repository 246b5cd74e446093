"""Readers: who may see which pages, and what of each result; an edition for a reader holds nothing else."""
