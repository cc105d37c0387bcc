-- There is no way back from the log: dropping it would lose every entry.
do $$ begin raise exception 'the log is never dropped: restore a backup into another database instead'; end $$;
