"""Was a drum or pail replaced? Cavitation, silence, bleeding, then the first good stroke."""
