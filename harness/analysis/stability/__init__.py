"""What a long run says: drift, Allan deviation, settling, outliers and steps."""
