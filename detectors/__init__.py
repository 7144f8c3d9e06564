"""Pure numerics: from a recording to flights, observations and verdicts. No files, no clock."""
