"""What was sown, which checks count, and between which days seedlings came."""
