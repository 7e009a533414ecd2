"""What everything else stands on: errors, units, files on disk, the glossary of quantities."""
