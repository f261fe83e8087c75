"""The panel: a job sheet on a phone, over the controller's service."""
