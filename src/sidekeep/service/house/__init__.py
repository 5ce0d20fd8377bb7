"""What a page needs of the service: ids, news, jobs, looking and listening, all for one shelf."""
