"""One function a picture: a finding in, an altair chart out."""
