"""An invented week: three sites, three forecast models and two receivers that exist nowhere else."""
