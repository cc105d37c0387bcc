-- The application's role: it may add to the log and read it, never change it.
do $$
begin
    if not exists (select from pg_roles where rolname = 'tallybench_app') then
        create role tallybench_app nologin;
    end if;
exception when duplicate_object or unique_violation then
    null; -- another database of the same server made it a moment ago
end
$$;
grant tallybench_app to current_user;
