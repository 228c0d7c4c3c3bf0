"""What a learned detector is trained on: frames of the train seeds, and their truth as a picture."""
