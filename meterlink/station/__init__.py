"""The pipeline: meter, driver, tag, settle, judge, commit, publish."""
