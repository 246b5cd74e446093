"""What mail says: the owner's week, and new incidents for the quality lead. Aggregates alone, and nobody is named."""
