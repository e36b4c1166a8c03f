"""What the car will need without internet, fetched at home."""
