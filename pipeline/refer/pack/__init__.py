"""The evidence pack of one referral."""
