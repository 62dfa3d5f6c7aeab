"""The clinic's pages and the patient's page, served from the clinic's own machine; nothing is loaded from anywhere else."""
