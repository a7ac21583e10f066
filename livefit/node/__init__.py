"""The processing node: marker frames in, snapshots of rolling results out."""
